"""`tickspin compare`: rows as single runs give them, the choice, the reason, bad lists."""

import itertools
import json
from typing import Any

import pytest
from matplotlib.figure import Figure

from sim.cli.compare import NONE_MEETS_IT
from sim.design import apply_overrides, fitting_prescaler, load_design, variant_of
from sim.run.metrics import measure
from sim.run.simulate import simulate
from sim.studies.answer import answer
from sim.studies.compare import Comparison, compare, load_at
from sim.studies.vary import variants
from sim.views.compare_figure import _MARKS
from targets import load_target, target_names
from tests.cli.command import AIR_SAMPLER, Command
from tests.controllers.support import law_text

PNG = b"\x89PNG\r\n\x1a\n"


@pytest.fixture(scope="module")
def all_targets() -> Comparison:
    design = load_design(AIR_SAMPLER)
    return compare(design, variants(design, ["firmware.target=all"]), {})


def test_every_target_has_a_row(all_targets: Comparison) -> None:
    assert sorted(row.name for row in all_targets.rows) == target_names()


def test_a_row_says_what_a_single_run_says(all_targets: Comparison) -> None:
    """And the wanted tick, 2 us, is kept as nearly as each timer can."""
    design = load_design(AIR_SAMPLER)
    for row in all_targets.rows:
        own = variant_of(design, row.overrides)
        recording = simulate(own)
        metrics = measure(recording)
        assert row.settled_rpm == metrics.settled_rpm
        assert row.time_to_speed_s == metrics.time_to_speed_s
        assert row.flash_bytes == recording.firmware.linked.flash_bytes
        assert row.prescaler == fitting_prescaler(design, row.name)
        timer, clock = load_target(row.name).step_timer, load_target(row.name).clock
        ticks = [n * timer.clock_divider / clock.default_Hz for n in timer.prescalers]
        chosen = row.prescaler * timer.clock_divider / clock.default_Hz
        assert all(max(chosen / 2e-6, 2e-6 / chosen) <= max(t / 2e-6, 2e-6 / t) * (1 + 1e-9) for t in ticks)


def test_rows_are_ranked_by_price_where_the_job_is_done(all_targets: Comparison) -> None:
    done = [row for row in all_targets.rows if row.met and row.is_real]
    assert done
    assert list(all_targets.rows[: len(done)]) == done
    assert all(a.price_USD <= b.price_USD for a, b in itertools.pairwise(done))
    assert all_targets.choice == done[0]


def test_what_cannot_be_bought_is_never_the_choice() -> None:
    design = load_design(AIR_SAMPLER)
    comparison = compare(design, variants(design, ["firmware.target=ideal"]), {})
    assert comparison.rows[0].met
    assert comparison.choice is None


def test_the_next_cheaper_is_named_with_what_holds_it_back() -> None:
    design = load_design(AIR_SAMPLER)
    comparison = compare(design, variants(design, ["firmware.target=acc8,mcs51,avr5"]), {})
    choice, cheaper = comparison.choice, comparison.next_cheaper
    assert choice is not None
    assert cheaper is not None
    assert (choice.name, cheaper.name) == ("avr5", "mcs51")
    assert "on mcs51" in comparison.why_not


def test_a_price_of_ones_own_changes_the_choice() -> None:
    design = load_design(AIR_SAMPLER)
    listed = variants(design, ["firmware.target=avr5,m4f"])
    assert compare(design, listed, {"avr5": 0.5, "m4f": 0.6}).choice.name == "avr5"
    assert compare(design, listed, {"avr5": 0.5, "m4f": 0.4}).choice.name == "m4f"


def test_load_is_what_the_run_measures_where_the_speed_is_held() -> None:
    """The closed form counts six step interrupts and one edge a turn at the required speed, each on its
    longest way; the run adds up the ways taken, which leave out a third of the longest one at most."""
    design = apply_overrides(load_design(AIR_SAMPLER), {"firmware.target": "avr5"})
    recording = simulate(design)
    load = load_at(design, recording.firmware, design.require.speed_rpm)
    assert load == pytest.approx(measure(recording).cpu_load, rel=0.5)
    assert load >= measure(recording).cpu_load  # a longest path is never shorter than the one taken


def test_load_with_three_sensors_counts_every_edge() -> None:
    three = {"firmware.law": "duty_pi_three", "hall.sensors": 3, "hall.edges": "both"}
    design = variant_of(load_design(AIR_SAMPLER.parent / "fume_fan.toml"), three)
    recording = simulate(design)
    metrics = measure(recording)
    # Typical costs of the longest path against those of the paths that were taken.
    assert metrics.cpu_load == pytest.approx(
        load_at(design, recording.firmware, metrics.settled_rpm), rel=0.15
    )


def test_a_law_that_only_polls_is_a_row(tickspin: Command) -> None:
    """No handler that an interrupt calls: no worst case of one."""
    law = tickspin.folder / "idle.py"
    law.write_text(
        law_text("self.a = u8(1)", "a = var(u8, 0)")
        + "\n    def main_loop(self) -> None:\n        self.a = 2\n"
    )
    ended = tickspin("compare", AIR_SAMPLER, "--vary", f"firmware.law={law},step_trim")
    assert (ended.status, ended.err) == (1, "")
    assert "idle.py" in ended.out


def test_lists_give_every_combination_in_order() -> None:
    design = load_design(AIR_SAMPLER)
    listed = variants(design, ["firmware.target=acc8,m4f", "drive.supply_V=5,x1.2"])
    names = ["acc8, supply_V = 5", "acc8, supply_V x1.2", "m4f, supply_V = 5", "m4f, supply_V x1.2"]
    assert [v.name for v in listed] == names
    assert listed[1].overrides == {"firmware.target": "acc8", "drive.supply_V": "x1.2"}


@pytest.mark.parametrize(
    "key", ["firmware.law", "firmware.arithmetic", "firmware.prescaler", "drive.pwm_mode"]
)
def test_all_stands_for_every_value_of_a_key_that_has_a_list(key: str) -> None:
    assert len(variants(load_design(AIR_SAMPLER), [f"{key}=all"])) >= 2


def test_another_law_has_its_own_parameters() -> None:
    design = apply_overrides(load_design(AIR_SAMPLER), {"firmware.parameters.lead_s": 2e-5})
    assert variant_of(design, {"firmware.law": "duty_pi"}).firmware.parameters == {}
    assert variant_of(design, {"firmware.prescaler": 4}).firmware.parameters == {"lead_s": 2e-5}


def test_a_clock_that_is_off_is_varied_like_any_key() -> None:
    """The processor holds this design back: what its clock gains, its speed gains, if not all of it."""
    design = load_design(AIR_SAMPLER)
    rows = compare(design, variants(design, ["firmware.clock_error_percent=-2,0,2"]), {}).rows
    speeds = {row.overrides["firmware.clock_error_percent"]: row.settled_rpm for row in rows}
    assert speeds[0] == measure(simulate(design)).settled_rpm
    assert speeds[-2] < speeds[0] < speeds[2]
    longest = {row.overrides["firmware.clock_error_percent"]: row.worst_case_us for row in rows}
    assert longest[2] * 1.02 == pytest.approx(longest[0], rel=1e-12)


def test_the_command_prints_the_table_and_writes_json_and_figure(tickspin: Command) -> None:
    words = [
        "compare",
        AIR_SAMPLER,
        "--vary",
        "firmware.target=avr5,m4f",
        "--json",
        "rows.json",
        "--plot",
        "c.png",
    ]
    ended = tickspin(*words)
    assert ended.status == 0
    assert "avr5 is the cheapest that meets the requirement." in ended.out
    data: dict[str, Any] = json.loads((tickspin.folder / "rows.json").read_text())
    assert [row["name"] for row in data["rows"]] == ["avr5", "m4f"]
    assert data["choice"] == "avr5"
    assert (tickspin.folder / "c.png").read_bytes().startswith(PNG)


def test_the_figure_tells_what_works_against_itself_from_what_does_not(
    tickspin: Command, monkeypatch: pytest.MonkeyPatch
) -> None:
    drawn: list[Figure] = []
    monkeypatch.setattr("sim.views.compare_figure.plt.close", drawn.append)
    varied = ("--vary", "firmware.target=acc8,m0", "--vary", "firmware.law=step_trim,duty_pi")
    tickspin("compare", AIR_SAMPLER, *varied, "--plot", "c.png")
    legend = drawn[0].axes[0].get_legend()
    assert legend is not None
    assert [text.get_text() for text in legend.get_texts()] == list(_MARKS)
    filled = {line.get_fillstyle() for line in drawn[0].axes[-1].lines if line.get_marker() == "o"}
    assert filled == {"full", "bottom", "none"}


def test_no_design_that_meets_it_is_status_1(tickspin: Command) -> None:
    ended = tickspin("compare", AIR_SAMPLER, "--vary", "drive.supply_V=2,2.5")
    assert ended.status == NONE_MEETS_IT
    assert "None meets the requirement" in ended.out


# (words, a phrase of the message)
BAD = [
    (("--vary", "firmware.target"), "must be KEY=a,b,... or KEY=all"),
    (("--vary", "firmware.target="), "must be KEY=a,b,... or KEY=all"),
    (("--vary", "firmware.target=acc8,,m0"), "must be KEY=a,b,... or KEY=all"),
    (("--vary", "drive.supply_V=all"), "must list the values of drive.supply_V"),
    (("--vary", "drive.suply_V=3,4"), "did you mean drive.supply_V?"),
    (("--vary", "drive.supply_V=3", "--vary", "drive.supply_V=4"), "must name a key once"),
    (("--vary", "drive.supply_V=3,4,3"), "must list each value of drive.supply_V once, found 3"),
    (("--vary", "drive.supply_V=" + ",".join(map(str, range(1, 600)))), "must give at most 500"),
    (("--vary", "firmware.target=acc9"), "acc9"),
    (("--vary", "drive.supply_V=3", "--price", "acc8"), "must be TARGET=USD"),
    (("--vary", "drive.supply_V=3", "--price", "acc8=-1"), "must be TARGET=USD"),
    (("--vary", "drive.supply_V=3", "--price", "acc8=nan"), "must be TARGET=USD"),
    (
        ("--vary", "drive.supply_V=3", "--price", "acc8=1", "--price", "acc8=2"),
        "once, found acc8=1 and acc8=2",
    ),
    (("--vary", "drive.supply_V=3", "--price", "m3=1"), "or compare it: --vary firmware.target=acc8,m3"),
    (("--vary", "drive.supply_V=5,5.0"), "must list each value of drive.supply_V once, found 5, 5.0"),
    (("--vary", "firmware.law=a.py,./a.py"), "each value of firmware.law once, found a.py, ./a.py"),
    (("--vary", "load.constant_torque_Nm=x2"), "must not be 0 for a factor to change it, found 0"),
]


@pytest.mark.parametrize(("words", "phrase"), BAD, ids=[" ".join(words)[:40] for words, _ in BAD])
def test_a_bad_list_is_one_message_and_no_file(
    tickspin: Command, words: tuple[str, ...], phrase: str
) -> None:
    ended = tickspin("compare", AIR_SAMPLER, *words, "--json", "rows.json")
    assert ended.status == 2
    assert phrase in ended.err
    assert "Traceback" not in ended.err
    assert list(tickspin.folder.iterdir()) == []


# (values after --vary, the lines of the message)
BAD_VALUES = [
    (("firmware.traget=all",), ['--vary: must be a key of the scenario, found "firmware.traget"; did you']),
    (("firmware.target=m00,acc8,zz",), ['found "m00"; did you mean "m0"?', 'found "zz"; allowed: acc8']),
    (("firmware.target=nowhere.toml",), ["nowhere.toml: the file must be readable"]),
    (("firmware.law=nowhere.py,open_ramp",), ["--vary firmware.law: is a shipped law or a law file"]),
    (("firmware.arithmetic=i7,i32",), ["--vary firmware.arithmetic: is i8"]),
    (("drive.supply_V=5,900,five",), ["--vary drive.supply_V: must not be above", 'found "five"; write 7']),
    (("hall.sensors=2,1",), ["--vary hall.sensors: must be 1 or 3, found 2"]),
    (("drive.pwm_mode=slwo",), ['--vary drive.pwm_mode: must be one of the choices, found the text "slwo"']),
    (("firmware.parameters.trm_s=1e-6",), ["--vary firmware.parameters.trm_s: must be a parameter of"]),
    (("firmware.target=m00", "firmware.arithmetic=i7"), ["m00", "i7"]),
]  # fmt: skip


@pytest.mark.parametrize(("settings", "parts"), BAD_VALUES, ids=[row[0][0] for row in BAD_VALUES])
def test_a_value_that_no_design_can_have_is_refused_before_any_run(
    tickspin: Command, monkeypatch: pytest.MonkeyPatch, settings: tuple[str, ...], parts: list[str]
) -> None:
    monkeypatch.setattr("sim.studies.compare.simulate", lambda _: pytest.fail("a run was made"))
    words = [word for setting in settings for word in ("--vary", setting)]
    ended = tickspin("compare", AIR_SAMPLER, *words, "--json", "rows.json")
    assert (ended.status, ended.out) == (2, "")
    lines = ended.err.splitlines()
    assert len(lines) == len(parts)
    assert all(part in line for part, line in zip(parts, lines, strict=True))
    assert list(tickspin.folder.iterdir()) == []


def test_a_value_that_contradicts_another_key_is_a_row_with_its_reason(tickspin: Command) -> None:
    ended = tickspin("compare", AIR_SAMPLER, "--vary", "firmware.prescaler=3,8", "--json", "rows.json")
    rows = {row["name"]: row for row in json.loads((tickspin.folder / "rows.json").read_text())["rows"]}
    assert rows["prescaler = 3"]["settled_rpm"] is None
    assert rows["prescaler = 3"]["why"].startswith(
        "firmware.prescaler: must be a prescaler that the step timer"
    )
    assert "prescaler = 3: firmware.prescaler: must be a prescaler" in ended.out
    assert rows["prescaler = 8"]["settled_rpm"] > 0


def test_a_shipped_law_that_cannot_be_compiled_is_called_by_its_file_name(tickspin: Command) -> None:
    words = ("--vary", "firmware.law=duty_pi", "--vary", "firmware.arithmetic=i8,i32", "--json", "-")
    rows = {row["name"]: row for row in json.loads(tickspin("compare", AIR_SAMPLER, *words).out)["rows"]}
    assert rows["duty_pi, i8"]["why"].startswith("duty_pi.py:")


def test_the_price_of_an_unknown_target_is_refused(tickspin: Command) -> None:
    ended = tickspin("compare", AIR_SAMPLER, "--vary", "firmware.target=m0", "--price", "m9=1")
    assert (ended.status, ended.out, ended.err.count("\n")) == (2, "", 1)
    assert "must name a target that is compared, found m9; allowed: m0" in ended.err


def test_each_row_that_falls_short_says_what_limits_it_as_its_run_does(tickspin: Command) -> None:
    words = (
        "--vary",
        "firmware.law=step_trim,duty_pi",
        "--vary",
        "firmware.target=acc8,m0",
        "--json",
        "c.json",
    )
    ended = tickspin("compare", AIR_SAMPLER, *words)
    rows = {row["name"]: row for row in json.loads((tickspin.folder / "c.json").read_text())["rows"]}
    limits = {name: row["limited_by"] for name, row in rows.items()}
    assert limits == {
        "step_trim, acc8": "processor", "duty_pi, acc8": "memory", "step_trim, m0": "", "duty_pi, m0": "",
    }  # fmt: skip
    design = load_design(AIR_SAMPLER)
    for name in ("step_trim, acc8", "duty_pi, acc8"):
        assert answer(variant_of(design, rows[name]["overrides"])).diagnosis.limited_by == limits[name]
        line = next(line for line in ended.out.splitlines() if line.startswith(name))
        assert line.split()[2:4] == ["no:", limits[name]]


def test_the_text_says_how_rows_are_ordered_and_what_the_tolerance_allows(tickspin: Command) -> None:
    ended = tickspin("compare", AIR_SAMPLER, "--vary", "firmware.target=m0,m3")
    assert ended.out.startswith(
        "Air sampler blower: 22,000 rpm within 1.5 s; tolerance 2 %: 21,560 rpm and more count as reached\n"
    )
    assert "Order: first what meets the requirement, the cheapest on top" in ended.out


def test_margins_that_are_alike_leave_the_choice_to_load_and_flash(tickspin: Command) -> None:
    """All settle within a hundredth; f64 in software takes many times the load and flash of i32."""
    words = ("--vary", "firmware.target=m0", "--vary", "firmware.arithmetic=f64,f32,i32")
    rows = json.loads(tickspin("compare", AIR_SAMPLER, *words, "--json", "-").out)["rows"]
    assert [row["name"] for row in rows] == ["m0, i32", "m0, f32", "m0, f64"]
    assert max(row["margin"] for row in rows) - min(row["margin"] for row in rows) < 0.01
    assert [row["load"] for row in rows] == sorted(row["load"] for row in rows)


def test_rows_of_one_price_are_told_apart_by_their_margin(tickspin: Command) -> None:
    ended = tickspin("compare", AIR_SAMPLER, "--vary", "firmware.arithmetic=i32,i16")
    assert "All cost the same. i16 meets the requirement, alone of all." in ended.out
    ended = tickspin(
        "compare", AIR_SAMPLER, "--vary", "firmware.arithmetic=i16", "--vary", "drive.supply_V=5,6"
    )
    assert (
        "All cost the same. i16, supply_V = 6 meets the requirement; of 2 at that price none has a wider"
        in ended.out
    )


def test_numbers_are_shown_with_their_key() -> None:
    design = load_design(AIR_SAMPLER)
    listed = variants(
        design, ["drive.supply_V=5,x1.2", "firmware.parameters.trim_s=1e-6", "firmware.law=step_trim"]
    )
    assert [v.name for v in listed] == [
        "supply_V = 5, trim_s = 1e-6, step_trim",
        "supply_V x1.2, trim_s = 1e-6, step_trim",
    ]


def test_rows_whose_oscillator_may_move_the_speed_too_far_say_so_as_run_does(tickspin: Command) -> None:
    ended = tickspin(
        "compare", AIR_SAMPLER, "--vary", "firmware.target=acc8,avr25,rv32ec,m3", "--json", "c.json"
    )
    rows = json.loads((tickspin.folder / "c.json").read_text())["rows"]
    for row in rows:
        result = answer(variant_of(load_design(AIR_SAMPLER), row["overrides"]))
        assert row["target"] == row["name"]
        assert row["clock_moves_speed"] == result.clock_moves_speed
        assert row["clock_tolerance_percent"] == result.clock_tolerance_percent
    off = {row["name"]: row["clock_tolerance_percent"] for row in rows if row["clock_moves_speed"]}
    assert set(off) == {"avr25", "rv32ec"}
    names = ", ".join(f"{name} {percent:g} %" for name, percent in off.items())
    assert f"{names}: their oscillator may be off by more than the 2 % allowed" in " ".join(ended.out.split())


def test_nothing_is_said_of_oscillators_that_are_good_enough(tickspin: Command) -> None:
    assert "oscillator" not in tickspin("compare", AIR_SAMPLER, "--vary", "firmware.target=m0,m3").out
