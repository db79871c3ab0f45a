"""A control law of the user's own: `new --law`, `run --law`, a law file named in the scenario, its faults."""

import ast
import json
from pathlib import Path

import pytest

from controllers import Binding, compile_law, law_path, starting_law
from sim.design import apply_overrides, load_design
from sim.run.metrics import column, measure
from sim.run.simulate import simulate
from targets import InputError
from tests.cli.command import AIR_SAMPLER, Command
from tests.controllers.support import make_binding

ARITHMETICS = ("i16", "i32", "q15.16", "q23.8", "f32", "f64")


@pytest.fixture
def scenario(tickspin: Command) -> Path:
    """The air sampler on a chip with room, in a folder of its own."""
    folder = tickspin.folder / "designs"
    folder.mkdir()
    text = AIR_SAMPLER.read_text().replace('target = "acc8"', 'target = "avr5"')
    (folder / "blower.toml").write_text(text)
    return folder / "blower.toml"


@pytest.mark.parametrize("arithmetic", ARITHMETICS)
def test_the_starting_law_compiles_as_it_is_written(tickspin: Command, arithmetic: str) -> None:
    assert tickspin("new", "--law", "my_law").out.startswith("wrote my_law.py;")
    binding: Binding = make_binding(arithmetic)
    program = compile_law(tickspin.folder / "my_law.py", binding)
    assert program.name == "my_law"
    assert "speed_rpm" in program.statics


def test_the_starting_law_has_the_name_asked_for_and_is_python() -> None:
    tree = ast.parse(starting_law("two_words"))
    (law,) = [node for node in tree.body if isinstance(node, ast.ClassDef)]
    assert law.name == "TwoWords"
    assert (ast.get_docstring(tree) or "").startswith("two_words: ")
    assert "NAME" not in starting_law("two_words")


@pytest.mark.parametrize("arithmetic", ARITHMETICS)
def test_the_starting_law_meets_the_starting_scenario_and_holds_its_command(
    tickspin: Command, arithmetic: str
) -> None:
    tickspin("new", "x")
    tickspin("new", "--law", "my_law")
    text = (tickspin.folder / "x.toml").read_text()
    assert text.count('arithmetic = "i32"') == 1
    (tickspin.folder / "x.toml").write_text(
        text.replace('arithmetic = "i32"', f'arithmetic = "{arithmetic}"')
    )
    ended = tickspin("run", "x.toml", "--law", "my_law.py", "--json", "run.json")
    assert ended.status == 0
    assert "\nMET: 9,000 rpm within 2 s. Limited by: command.\n" in ended.out
    run = json.loads((tickspin.folder / "run.json").read_text())
    tolerance = 0.02  # of the starting scenario
    assert run["verdict"]["settled_rpm"] == pytest.approx(10000.0, rel=tolerance)
    assert run["firmware"]["faults"] == []


def test_the_starting_law_gets_going_again_after_a_brake_while_it_coasts(
    tickspin: Command, scenario: Path
) -> None:
    """The command falls, so the duty is that of coasting when the brake stops the rotor within a turn."""
    tickspin("new", "--law", "my_law")
    design = apply_overrides(
        load_design(scenario),
        {
            "firmware.law": str(tickspin.folder / "my_law.py"), "firmware.target": "m0",
            "firmware.prescaler": 128, "command.speed_rpm": None,
            "command.steps": [{"at_s": 0.0, "speed_rpm": 20000.0}, {"at_s": 1.0, "speed_rpm": 10000.0}],
            "load.torque_steps": [{"at_s": 1.0005, "torque_Nm": 1.0}, {"at_s": 1.2, "torque_Nm": 0.0}],
            "require.speed_rpm": 10000.0,
        },
    )  # fmt: skip
    recording = simulate(design)
    t_s, speed = column(recording, "t_s"), column(recording, "speed_rpm")
    assert speed[(t_s > 1.1) & (t_s < 1.2)].max() == pytest.approx(0.0, abs=1.0)
    assert measure(recording).settled_rpm == pytest.approx(10000.0, rel=0.02)


def test_a_law_file_in_the_scenario_is_seen_from_the_scenarios_folder(
    tickspin: Command, scenario: Path
) -> None:
    tickspin("new", "--law", "my_law")
    (tickspin.folder / "my_law.py").rename(scenario.parent / "my_law.py")
    scenario.write_text(scenario.read_text().replace('law = "step_trim"', 'law = "my_law.py"'))
    assert Path(load_design(scenario).firmware.law) == scenario.parent / "my_law.py"
    assert tickspin("run", scenario, "--json", "-").status in (0, 1)


def test_a_name_that_is_no_law_of_the_scenarios_is_run_instead(tickspin: Command, scenario: Path) -> None:
    ended = tickspin("run", scenario, "--law", "duty_pi", "--json", "-")
    assert json.loads(ended.out)["firmware"]["law"] == "duty_pi"


def test_a_misspelt_law_is_guessed(tickspin: Command, scenario: Path) -> None:
    ended = tickspin("run", scenario, "--law", "duty_pie")
    assert ended.status == 2
    assert 'found duty_pie; did you mean "duty_pi"? allowed: duty_pi, ' in ended.err


def test_a_fault_of_the_law_is_shown_with_line_column_and_caret(tickspin: Command, scenario: Path) -> None:
    tickspin("new", "--law", "my_law")
    path = tickspin.folder / "my_law.py"
    text = path.read_text().replace("return period // 6", "return self.speed_rpm // 6")
    path.write_text(text)
    line = text.splitlines().index("        return self.speed_rpm // 6") + 1
    ended = tickspin("run", scenario, "--law", "my_law.py")
    assert ended.status == 2
    first, source, caret = ended.err.splitlines()
    assert f"my_law.py:{line}:" in first
    assert source.strip() == "return self.speed_rpm // 6"
    assert set(caret.strip()) == {"^"}


@pytest.mark.parametrize("name", ["", "two words", "1st", "a/b", "lüfter", "_", "class", "step_trim"])
def test_new_refuses_a_name_that_is_no_law(tickspin: Command, name: str) -> None:
    ended = tickspin("new", "--law", name)
    assert ended.status == 2
    assert ended.err.startswith("tickspin: --law: ")
    assert list(tickspin.folder.iterdir()) == []


def test_new_law_does_not_overwrite(tickspin: Command) -> None:
    assert tickspin("new", "--law", "my_law").status == 0
    before = (tickspin.folder / "my_law.py").read_bytes()
    assert tickspin("new", "--law", "my_law.py").status == 2
    assert (tickspin.folder / "my_law.py").read_bytes() == before


@pytest.mark.parametrize("words", [("new",), ("new", "spinner", "--law", "my_law")])
def test_new_writes_one_thing(tickspin: Command, words: tuple[str, ...]) -> None:
    assert tickspin(*words).status == 2
    assert list(tickspin.folder.iterdir()) == []


def test_a_law_file_that_is_not_there(tickspin: Command, scenario: Path) -> None:
    ended = tickspin("run", scenario, "--law", "nowhere.py")
    assert ended.status == 2
    assert "nowhere.py" in ended.err


def test_version(tickspin: Command) -> None:
    ended = tickspin("--version")
    assert ended.status == 0
    assert ended.out.startswith("tickspin ")


def test_starting_law_is_refused_by_name() -> None:
    with pytest.raises(InputError):
        starting_law("no-dash")


def test_run_with_another_law_takes_that_laws_parameters(tickspin: Command) -> None:
    """The scenario's are those of its own law, as in a comparison."""
    ended = tickspin("run", AIR_SAMPLER.parent / "reaction_wheel.toml", "--law", "step_trim")
    assert ended.status in (0, 1)
    assert ended.out.splitlines()[1].startswith("step_trim in i32 on m0")


def test_a_law_that_takes_the_speed_to_be_higher_is_blamed_for_its_duty(tickspin: Command) -> None:
    """10 % higher: it holds 10,000 / 1.1 = 9,091 rpm, its steps where those of `duty_pi` are."""
    tickspin("new", "spinner")
    text = law_path("duty_pi").read_text()
    measured = "hw.rpm_ticks // u32(period)"
    assert text.count(measured) == 1
    (tickspin.folder / "wrong.py").write_text(text.replace(measured, f"{measured} * 11 // 10"))
    ended = tickspin("run", "spinner.toml", "--law", "wrong.py", "--json", "r.json")
    assert "Limited by: law." in ended.out
    told = " ".join(ended.out.split())
    assert "The law wrong.py holds it back: its steps are in place, but it keeps the duty at" in told
    assert "of 10,000 rpm reached: it takes the speed to be higher, or leaves an error standing." in told
    settled_rpm = json.loads((tickspin.folder / "r.json").read_text())["verdict"]["settled_rpm"]
    assert settled_rpm == pytest.approx(10000.0 / 1.1, rel=2e-3)  # whole ticks, whole rpm
