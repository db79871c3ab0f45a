"""Every kind of broken scenario gives a fault at the right key, in words that say what is allowed."""

from pathlib import Path

import pytest

from sim.design import load_design
from targets import Fault, InputError
from tests.design.scenario_text import SOUND, with_value, without_section

# (key, its TOML or None to take it out, place of the fault, phrase in the message)
BROKEN_VALUES = [
    # wrong type
    ("motor.pole_pairs", '"two"', "motor.pole_pairs", "must be a whole number"),
    ("motor.pole_pairs", "2.0", "motor.pole_pairs", "allowed: 1 to 50"),
    ("motor.pole_pairs", "true", "motor.pole_pairs", "found true (a boolean)"),
    ("motor.inertia_kg_m2", "true", "motor.inertia_kg_m2", "must be a number"),
    ("motor.inertia_kg_m2", '"1e-7"', "motor.inertia_kg_m2", 'found the text "1e-7"'),
    ("motor.inertia_kg_m2", "[1e-7]", "motor.inertia_kg_m2", "found a list"),
    ("motor.inertia_kg_m2", "{}", "motor.inertia_kg_m2", "found a table"),
    ("motor.inertia_kg_m2", "2024-05-01", "motor.inertia_kg_m2", "found the date or time 2024-05-01"),
    ("motor.inertia_kg_m2", "12:30:00", "motor.inertia_kg_m2", "found the date or time 12:30:00"),
    ("motor.connection", "3", "motor.connection", 'allowed: "wye", "delta"'),
    ("firmware.law", "5", "firmware.law", "must be text"),
    ("firmware.arithmetic", "32", "firmware.arithmetic", "must be text"),
    ("firmware.target", "[]", "firmware.target", "found an empty list"),
    ("name", "7", "name", "must be text"),
    ("firmware.idealise", '"cost"', "firmware.idealise", "must be a list"),
    ("firmware.idealise", "[1]", "firmware.idealise[0]", "must be one of the choices"),
    ("firmware.parameters", "[1.0]", "firmware.parameters", "must be a table"),
    ("firmware.parameters", '{ kp = "x" }', "firmware.parameters.kp", "must be a number"),
    ("firmware.parameters", "{ kp = true }", "firmware.parameters.kp", "found true (a boolean)"),
    # out of range
    ("motor.pole_pairs", "0", "motor.pole_pairs", "allowed: 1 to 50"),
    ("motor.pole_pairs", "51", "motor.pole_pairs", "must not be above the highest allowed value"),
    ("motor.phase_resistance_ohm", "0", "motor.phase_resistance_ohm", "allowed: 0.001 to 1000 ohm"),
    ("motor.phase_resistance_ohm", "-1.5", "motor.phase_resistance_ohm", "found -1.5"),
    ("motor.phase_inductance_H", "0.0", "motor.phase_inductance_H", "allowed: 1e-8 to 1 H"),
    ("motor.phase_inductance_H", "12.5", "motor.phase_inductance_H", "allowed: 1e-8 to 1 H"),
    ("motor.ke_V_s_per_rad", "-3e-4", "motor.ke_V_s_per_rad", "allowed: 1e-7 to 10 V s/rad"),
    ("motor.inertia_kg_m2", "0", "motor.inertia_kg_m2", "allowed: 1e-12 to 1 kg m2"),
    ("motor.inertia_kg_m2", "1e300", "motor.inertia_kg_m2", "found 1e300"),
    ("motor.inertia_kg_m2", "nan", "motor.inertia_kg_m2", "must be a finite number, found nan"),
    ("motor.inertia_kg_m2", "inf", "motor.inertia_kg_m2", "must be a finite number, found inf"),
    ("motor.coulomb_Nm", "-inf", "motor.coulomb_Nm", "must be a finite number, found -inf"),
    ("motor.coulomb_Nm", "-1e-6", "motor.coulomb_Nm", "allowed: 0 to 10 Nm"),
    ("motor.viscous_Nm_s_per_rad", "-1e-9", "motor.viscous_Nm_s_per_rad", "0 to 1 Nm s/rad"),
    ("motor.windage_Nm_s2_per_rad2", "-1e-12", "motor.windage_Nm_s2_per_rad2", "0 to 1 Nm s2/rad2"),
    ("motor.resistance_imbalance_b_percent", "101", "motor.resistance_imbalance_b_percent", "-50 to 100 %"),
    ("motor.inductance_imbalance_c_percent", "-51", "motor.inductance_imbalance_c_percent", "-50 to 100 %"),
    ("motor.start_angle_deg", "361", "motor.start_angle_deg", "0 to 360 deg"),
    ("drive.supply_V", "0", "drive.supply_V", "allowed: 0.5 to 60 V"),
    ("drive.supply_V", "230", "drive.supply_V", "allowed: 0.5 to 60 V"),
    ("drive.supply_V", "1" + "0" * 400, "drive.supply_V", "found a whole number of 1329 bits"),
    ("drive.supply_V", "0x" + "f" * 5000, "drive.supply_V", "found a whole number of 20000 bits"),
    ("drive.switch_on_resistance_ohm", "-0.1", "drive.switch_on_resistance_ohm", "0 to 100 ohm"),
    ("drive.diode_drop_V", "-0.7", "drive.diode_drop_V", "0 to 5 V"),
    ("drive.pwm_Hz", "20", "drive.pwm_Hz", "1000 to 200000 Hz"),
    ("hall.placement_error_deg", "61", "hall.placement_error_deg", "-60 to 60 deg"),
    ("hall.hysteresis_deg", "-1", "hall.hysteresis_deg", "0 to 30 deg"),
    ("load.added_inertia_kg_m2", "-1e-9", "load.added_inertia_kg_m2", "0 to 1 kg m2"),
    ("firmware.control_period_s", "0", "firmware.control_period_s", "1e-5 to 1 s"),
    ("firmware.prescaler", "0", "firmware.prescaler", "1 to 65536"),
    ("firmware.parameters", "{ kp = nan }", "firmware.parameters.kp", "must be a finite number"),
    ("firmware.parameters", "{ kp = 1e13 }", "firmware.parameters.kp", "allowed: -1e12 to 1e12"),
    ("command.speed_rpm", "70000", "command.speed_rpm", "0 to 65535 rpm"),
    ("command.duration_s", "0", "command.duration_s", "0.01 to 60 s"),
    ("command.duration_s", "61", "command.duration_s", "0.01 to 60 s"),
    ("require.tolerance_percent", "0", "require.tolerance_percent", "0.01 to 50 %"),
    ("require.speed_rpm", "-9000", "require.speed_rpm", "1 to 65535 rpm"),
    ("numerics.max_segment_deg", "90", "numerics.max_segment_deg", "0.1 to 30 deg"),
    ("name", '""', "name", "must not be empty"),
    ("name", f'"{"n" * 81}"', "name", "1 to 80 characters"),
    ("summary", '"two\\nlines"', "summary", "must stand on one line"),
    # wrong choice or name
    ("motor.connection", '"star"', "motor.connection", "allowed: wye, delta"),
    ("hall.sensors", "2", "hall.sensors", "must be 1 or 3, found 2"),
    ("hall.edges", '"falling"', "hall.edges", "allowed: rising, both"),
    ("numerics.seed", "-1", "numerics.seed", "allowed: 0 to 1000000000"),
    ("motor.back_emf", '"measured"', "motor.back_emf_file", "name a CSV file"),
    ("motor.back_emf_file", '"x.csv"', "motor.back_emf", 'must be "measured"'),
    ("drive.pwm_mode", '"highside"', "drive.pwm_mode", 'did you mean "high_side"?'),
    ("firmware.structure", '"rtos"', "firmware.structure", "allowed: interrupt, nested, polled"),
    ("firmware.idealise", '["cost", "ticks"]', "firmware.idealise[1]", 'did you mean "tick"?'),
    ("firmware.law", '"step_trin"', "firmware.law", 'did you mean "step_trim"?'),
    ("firmware.law", '"../step_trim"', "firmware.law", "must be the name of a shipped law or a .py file"),
    ("firmware.target", '"acc-8"', "firmware.target", 'did you mean "acc8"?'),
    ("firmware.target", '"nothing like it"', "firmware.target", "allowed: acc8"),
    # unknown key
    ("motor.inertia", "1e-7", "motor.inertia", "did you mean inertia_kg_m2?"),
    ("motor.supply_V", "5", "motor.supply_V", "supply_V belongs in [drive]"),
    ("motor.colour", '"red"', "motor.colour", "allowed here: pole_pairs"),
    ("motor.extra", "{ a = 1 }", "motor.extra", "must be a known section"),
    ("nmae", '"x"', "nmae", "did you mean name?"),
    ("load.fan_torque_mNm", "1", "load.fan_torque_mNm", "did you mean fan_torque_Nm?"),
    # missing
    (
        "motor.pole_pairs",
        None,
        "motor.pole_pairs",
        "add it, for example pole_pairs = 2",
    ),
    ("name", None, "name", "must be given"),
    ("command.speed_rpm", None, "command", "must have either speed_rpm or steps, found neither"),
    # contradictory
    ("motor.stiction_Nm", "1e-6", "motor.stiction_Nm", "allowed: 5e-6 Nm (coulomb_Nm) and more"),
    ("load.fan_torque_Nm", "6e-5", "load.fan_speed_rpm", "must be given together with load.fan_torque_Nm"),
    ("load.propeller_diameter_m", "0.1", "load.propeller_power_coefficient", "or leave out both"),
    ("load.torque_steps", "[{ at_s = 1.0 }]", "load.torque_steps[0].torque_Nm", "must be given"),
    (
        "load.torque_steps",
        "[{ at_s = 1.0, torque_Nm = 1e-6 }, { at_s = 1.0, torque_Nm = 2e-6 }]",
        "load.torque_steps[1].at_s",
        "must increase from row to row",
    ),
    (
        "load.torque_table",
        str([{"speed_rpm": float(row), "torque_Nm": 1e-6} for row in range(17)])
        .replace("'", "")
        .replace(":", "="),
        "load.torque_table",
        "must hold at most 16 rows, found 17 rows",
    ),
    ("load.rotor", '"jammed"', "load.rotor", "allowed: free, locked"),
    ("drive.supply_resistance_ohm", "0.001", "drive.bulk_capacitance_F", "allowed: 0.001 F and more"),
    (
        "drive.battery_sag_ohm",
        "0.1",
        "drive.supply_resistance_ohm",
        "must be above 0 for a battery that sags",
    ),
    ("drive.dead_time_s", "2e-5", "drive.dead_time_s", "allowed: up to 1.25e-5 s"),
    (
        "thermal.winding_J_per_K",
        "1.0",
        "thermal.winding_to_board_K_per_W",
        "add winding_to_board_K_per_W, board_to_ambient_K_per_W, board_J_per_K, or leave out all four",
    ),
    ("thermal.winding_limit_C", "400", "thermal.winding_limit_C", "allowed: 20 to 300 C"),
    ("load.fan_speed_rpm", "1e4", "load.fan_torque_Nm", "must be given together with load.fan_speed_rpm"),
    (
        "hall.placement_error_deg",
        "-59",
        "hall.hysteresis_deg",
        "with this placement error: 0 to 2 deg",
    ),
    ("firmware.prescaler", "3", "firmware.prescaler", 'prescaler that the step timer of target "acc8" has'),
    ("firmware.structure", '"nested"', "firmware.structure", 'interrupts of target "acc8" have one level'),
    ("firmware.clock_Hz", "1e9", "firmware.clock_Hz", 'a clock that target "acc8" can run at'),
    ("require.within_s", "4", "require.within_s", "allowed: up to 3 s"),
    ("require.speed_rpm", "10001", "require.speed_rpm", "allowed: up to 10000 rpm"),
    ("command.steps", "[{ at_s = 0, speed_rpm = 9000 }]", "command", "found both"),
]

STEPS = [
    ("[]", "command.steps", "must hold at least one step"),
    ("{ at_s = 0, speed_rpm = 9000 }", "command.steps", "must be a list"),
    ("[1]", "command.steps[0]", "must be a table"),
    ("[{ at_s = 0 }]", "command.steps[0].speed_rpm", "must be given"),
    ("[{ at_s = 0, speed_rpm = 9000, speed = 1 }]", "command.steps[0].speed", "did you mean speed_rpm?"),
    ("[{ at_s = 0, speed_rpm = -5 }]", "command.steps[0].speed_rpm", "0 to 65535 rpm"),
    ("[{ at_s = 1, speed_rpm = 9000 }]", "command.steps[0].at_s", "start the list of steps at 0 s"),
    (
        "[{ at_s = 0, speed_rpm = 9000 }, { at_s = 2, speed_rpm = 1 }, { at_s = 2, speed_rpm = 2 }]",
        "command.steps[2].at_s",
        "must increase from step to step",
    ),
    ("[{ at_s = 0, speed_rpm = 9000 }, { at_s = 3, speed_rpm = 1 }]", "command.steps[1].at_s", "below 3 s"),
    ("[{ at_s = 0, speed_rpm = 8999 }]", "require.speed_rpm", "allowed: up to 8999 rpm"),
]

BROKEN_FILES = [
    ("empty", b"", "", "found an empty file"),
    ("only comments", b"# nothing\n\n", "", "found an empty file"),
    ("not UTF-8", b'name = "\xff\xfe"', "", "found byte 0xff at position 8"),
    ("UTF-16", "name = 'x'".encode("utf-16"), "", "save the scenario as UTF-8 text"),
    ("zero bytes", b"\x00\x01\x02\x03", ":1:1", "must be valid TOML"),
    ("too large", b"#" * 1_000_001, "", "must be at most 1000000 bytes"),
    ("no value", b"[motor]\npole_pairs =\n", ":2:13", "Invalid value"),
    ("unclosed text", b'name = "x\nsummary = "y"\n', ":1:10", "must be valid TOML"),
    ("unclosed section", b"[motor\n", ":1:7", "must be valid TOML"),
    ("ends too early", b"[motor]\na = [1,", ":2", "must be valid TOML"),
    ("a key twice", b"[motor]\npole_pairs = 2\npole_pairs = 3\n", ":3:15", "Cannot overwrite a value"),
    ("a section twice", b"[motor]\n[drive]\n[motor]\n", ":3:7", "must be valid TOML"),
    ("decimal comma", b"[drive]\nsupply_V = 5,5\n", ":2:13", "must be valid TOML"),
    ("nested too deeply", b"a = " + b"[" * 100_000, "", "nested too deeply"),
    ("thousands of digits", b"a = " + b"1" * 5000, "", "must be valid TOML"),
    ("another language", b'{"name": "x"}', ":1:1", "must be valid TOML"),
]


def faults_of(path: Path) -> tuple[Fault, ...]:
    with pytest.raises(InputError) as refused:
        load_design(path)
    return refused.value.faults


def the_fault(tmp_path: Path, text: str) -> Fault:
    """The one and only fault of a scenario, with the file taken off its place."""
    path = tmp_path / "broken.toml"
    path.write_text(text, encoding="utf-8")
    (fault,) = faults_of(path)
    prefix = f"{path}: "
    assert fault.place.startswith(prefix)
    return Fault(fault.place.removeprefix(prefix), fault.rule, fault.found, fault.remedy)


@pytest.mark.parametrize(("key", "value", "place", "phrase"), BROKEN_VALUES)
def test_broken_value(tmp_path: Path, key: str, value: str | None, place: str, phrase: str) -> None:
    fault = the_fault(tmp_path, with_value(key, value))
    assert fault.place == place
    assert phrase in str(fault)


@pytest.mark.parametrize(("steps", "place", "phrase"), STEPS)
def test_broken_steps(tmp_path: Path, steps: str, place: str, phrase: str) -> None:
    text = with_value("command.steps", steps).replace("\nspeed_rpm = 10000\n", "\n")
    fault = the_fault(tmp_path, text)
    assert fault.place == place
    assert phrase in str(fault)


@pytest.mark.parametrize("section", ["motor", "drive", "firmware", "command", "require"])
def test_missing_section(tmp_path: Path, section: str) -> None:
    fault = the_fault(tmp_path, without_section(section))
    assert (fault.place, fault.found) == (section, "nothing")
    assert fault.remedy.startswith(f"add [{section}] with the keys ")


def test_unknown_section(tmp_path: Path) -> None:
    fault = the_fault(tmp_path, f"{SOUND}\n[battery]\nvolts = 5\n")
    assert (fault.place, fault.rule) == ("battery", "must be a known section")


def test_misspelt_section_names_the_right_one(tmp_path: Path) -> None:
    fault = the_fault(tmp_path, SOUND.replace("[numerics]", "[numeric]"))
    assert (fault.place, fault.remedy) == ("numeric", "did you mean [numerics]?")


# (as written, in which letters, place of the one fault, remedy)
WRONG_CASE = [
    ("[motor]", "[Motor]", "Motor", "did you mean [motor]?"),
    ("pole_pairs = 2", "Pole_Pairs = 2", "motor.Pole_Pairs", "did you mean pole_pairs?"),
    ("inertia_kg_m2 =", "inertia_kg_M2 =", "motor.inertia_kg_M2", "did you mean inertia_kg_m2?"),
    ("supply_V =", "supply_v =", "drive.supply_v", "did you mean supply_V?"),
]


@pytest.mark.parametrize(("sound", "written", "place", "remedy"), WRONG_CASE)
def test_a_name_in_other_letters_is_one_fault(
    tmp_path: Path, sound: str, written: str, place: str, remedy: str
) -> None:
    fault = the_fault(tmp_path, SOUND.replace(sound, written, 1))
    assert (fault.place, fault.remedy) == (place, remedy)


@pytest.mark.parametrize("value", ["3", "[[1]]", '"x"', "true"])
def test_section_that_is_no_table(tmp_path: Path, value: str) -> None:
    fault = the_fault(tmp_path, f"hall = {value}\n{without_section('hall')}")
    assert fault.place == "hall"
    assert fault.rule == "must be a table"
    assert "with the keys sensors, edges, placement_error_deg" in fault.remedy


@pytest.mark.parametrize(
    ("content", "position", "phrase"), [row[1:] for row in BROKEN_FILES], ids=[r[0] for r in BROKEN_FILES]
)
def test_broken_file(tmp_path: Path, content: bytes, position: str, phrase: str) -> None:
    path = tmp_path / "broken.toml"
    path.write_bytes(content)
    (fault,) = faults_of(path)
    assert fault.place == f"{path}{position}"
    assert phrase in str(fault)


def test_missing_file(tmp_path: Path) -> None:
    (fault,) = faults_of(tmp_path / "absent.toml")
    assert fault.found == "nothing there"
    assert "tickspin new" in fault.remedy


def test_folder(tmp_path: Path) -> None:
    (fault,) = faults_of(tmp_path)
    assert fault.found == "a folder"


def test_device() -> None:
    (fault,) = faults_of(Path("/dev/zero"))
    assert fault.found == "a device or a pipe"


def test_path_through_a_file(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("x")
    (fault,) = faults_of(tmp_path / "file" / "scenario.toml")
    assert fault.rule == "must be a file that can be read"


def test_name_that_is_no_text_can_be_printed(tmp_path: Path) -> None:
    """A file name that is not UTF-8 reaches Python with surrogates, which cannot be printed."""
    (fault,) = faults_of(tmp_path / "\udcff.toml")
    assert "\\udcff" in str(fault).encode("utf-8").decode()


def test_all_faults_are_reported_together(tmp_path: Path) -> None:
    """Wrong types, unknown keys, wrong names and contradictions of one file, in one exception."""
    text = with_value("motor.inertia_kg_m2", "-1")
    for sound, broken in [
        ("supply_V = 5", "supply_V = nan\nsuply_V = 5"),
        ('law = "step_trim"', 'law = "lawless"'),
        ("coulomb_Nm = 5e-6", "coulomb_Nm = 5e-6\nstiction_Nm = 1e-6"),
        ("prescaler = 8", "prescaler = 7"),
        ("within_s = 2", "within_s = 5"),
    ]:
        assert f"\n{sound}\n" in text
        text = text.replace(f"\n{sound}\n", f"\n{broken}\n")
    path = tmp_path / "broken.toml"
    path.write_text(text)
    assert [fault.place.removeprefix(f"{path}: ") for fault in faults_of(path)] == [
        "motor.inertia_kg_m2",
        "drive.supply_V",
        "drive.suply_V",
        "motor.stiction_Nm",
        "firmware.law",
        "firmware.prescaler",
        "require.within_s",
    ]


def test_message_is_one_line(tmp_path: Path) -> None:
    fault = the_fault(tmp_path, with_value("firmware.law", r'"a\nb\u007f"'))
    assert str(fault).isprintable()
