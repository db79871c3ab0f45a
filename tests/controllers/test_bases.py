"""Laws that derive from a base: what is taken over, what is replaced, and where faults stand."""

from pathlib import Path

import pytest

from controllers.lower import compile_law
from controllers.parse import law as parser
from targets.errors import InputError
from tests.controllers.families import BAD_FAMILIES, BASE, LAW, BadFamily, chain, derived, install
from tests.controllers.support import Bench, make_binding


@pytest.mark.parametrize("bad", BAD_FAMILIES, ids=lambda bad: f"{bad.file} {bad.rule}")
def test_fault_stands_in_the_file_that_has_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, bad: BadFamily
) -> None:
    path = install(tmp_path, monkeypatch, bad.law, bad.bases)
    with pytest.raises(InputError) as caught:
        compile_law(path, make_binding())
    (fault,) = caught.value.faults
    file, line, column = fault.place.rsplit(":", 2)
    assert (Path(file).name, f"{line}:{column}") == (bad.file, bad.place)
    assert (fault.rule, fault.found) == (bad.rule, bad.found)
    shown = Path(file).read_text(encoding="utf-8").split("\n")[int(line) - 1]
    assert str(fault).splitlines()[1] == f"    {shown}"


def run_family(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, law: str, bases: dict[str, str]) -> Bench:
    bench = Bench(compile_law(install(tmp_path, monkeypatch, law, bases), make_binding()))
    bench.call("on_start")
    return bench


def test_law_takes_over_variables_methods_and_handlers(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    bench = run_family(tmp_path, monkeypatch, LAW, {"base": BASE})
    assert (bench.value("a"), bench.value("b")) == (7, 0)
    assert list(bench.program.handlers) == ["on_start", "on_step_timer"]
    assert (bench.program.name, bench.program.summary) == ("law", "Own.")


def test_overriding_method_is_the_one_that_the_base_calls(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    law = LAW + "    def goal(self) -> u16:\n        return self.LIMIT * 2\n"
    assert run_family(tmp_path, monkeypatch, law, {"base": BASE}).value("a") == 14


def test_overriding_declaration_replaces_value_and_kind(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    law = LAW.replace("import u16", "import const, u16, var") + "    LIMIT = const(u16, 9)\n"
    assert run_family(tmp_path, monkeypatch, law, {"base": BASE}).value("a") == 9
    wide = LAW.replace("import u16", "import u16, var") + "    b = var(u16, 2)\n"
    bench = run_family(tmp_path, monkeypatch, wide, {"base": BASE})
    assert bench.value("b") == 256  # 2 + 254 wraps in the u8 of the base, not here
    assert not bench.faults.any()


def test_overriding_handler_replaces_the_whole_handler(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    law = LAW + "    def on_start(self) -> None:\n        self.a = 30\n"
    bench = run_family(tmp_path, monkeypatch, law, {"base": BASE})
    assert (bench.value("a"), bench.value("b")) == (30, 2)


def test_chain_of_bases_is_read_to_its_end(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    bench = run_family(tmp_path, monkeypatch, derived("B6"), chain(7))
    assert bench.value("a") == 7
    assert [name for name, _ in bench.program.files] == [
        "law.py", "b6.py", "b5.py", "b4.py", "b3.py", "b2.py", "b1.py", "b0.py",
    ]  # fmt: skip


def test_nearest_base_wins(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    bases = chain(2)
    bases["b1"] = bases["b1"].replace("class", "from controllers.dialect import u16\nclass")
    bases["b1"] += "    def goal(self) -> u16:\n        return self.LIMIT + 1\n"
    assert run_family(tmp_path, monkeypatch, derived("B1"), bases).value("a") == 8


def test_runtime_faults_are_placed_by_file_and_line(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    law = LAW + "    def goal(self) -> u16:\n        return self.LIMIT - self.a * 8\n"
    bench = run_family(tmp_path, monkeypatch, law, {"base": BASE})
    bench.call("on_step_timer")
    places = {bench.program.place(line): counts for line, counts in bench.faults_by_line().items()}
    assert places == {
        "line 8": (1, 0, 0, 0),  # 7 - 1 * 8 in the law itself
        "line 24 of base.py": (1, 0, 0, 0),  # 2 + 254
        "line 18 of base.py": (0, 1, 0, 0),  # a // 0
    }


def test_files_and_source_name_every_line(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    program = run_family(tmp_path, monkeypatch, LAW, {"base": BASE}).program
    own = LAW.split("\n")
    assert program.files == (("law.py", 0), ("base.py", len(own)))
    assert program.source == (*own, *BASE.split("\n"))
    assert program.place(1) == "line 1"
    assert program.place(len(own)) == f"line {len(own)}"
    assert program.place(len(own) + 1) == "line 1 of base.py"


def test_rounded_literal_of_a_base_is_placed_there(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    base = BASE.replace("self.b += 254", "self.a = u16(number(self.a) * 0.3)").replace(
        "hw, u8", "hw, number, u8"
    )
    program = compile_law(install(tmp_path, monkeypatch, LAW, {"base": base}), make_binding("q16.16"))
    assert [report.parameter for report in program.rounding] == ["literal in line 24 of base.py"]


def test_law_may_import_its_base_under_another_name(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    law = LAW.replace("import Base", "import Base as Root").replace("(Base)", "(Root)")
    assert run_family(tmp_path, monkeypatch, law, {"base": BASE}).value("a") == 7


@pytest.mark.parametrize("law", ["duty_pi", "open_ramp", "step_trim"])
def test_shipped_law_can_be_derived_from(tmp_path: Path, law: str) -> None:
    """The same program, but for the name and the lines."""
    shipped = parser.parse_law(parser._PACKAGE / "laws" / f"{law}.py")
    text = f"from controllers.laws.{law} import {shipped.class_name}\n"
    path = tmp_path / "own.py"
    path.write_text(f'{text}class Own({shipped.class_name}):\n    """Own."""\n', encoding="utf-8")
    own = compile_law(path, make_binding())
    original = compile_law(parser._PACKAGE / "laws" / f"{law}.py", make_binding())
    assert own.code.tolist() == original.code.tolist()
    assert own.files[1][0] == f"{law}.py"
    places = [original.place(line) for line in original.lines]
    expected = [place if " of " in place else f"{place} of {law}.py" for place in places]
    assert [own.place(line) for line in own.lines] == expected
