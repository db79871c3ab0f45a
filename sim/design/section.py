"""What all sections of a scenario share."""

from __future__ import annotations

from pydantic import BaseModel, ConfigDict


class Section(BaseModel):
    """What all sections share: no conversion of types, no unknown keys, no NaN or infinity, no change."""

    model_config = ConfigDict(frozen=True, strict=True, extra="forbid", allow_inf_nan=False)
