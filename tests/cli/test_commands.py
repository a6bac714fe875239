"""What a person types: exit codes, sentences, and documents for programs."""

import contextlib
import io
import json
import os
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from functools import cache, partial
from pathlib import Path

import click
import pytest
from click.testing import CliRunner

from fixtures import demonstration_bench, demonstration_product
from rig.cli import COMMANDS, THREADS_OF_ALGEBRA, app, main
from rig.command_options import FiniteNumber


def surroundings(folder: Path, environment: dict[str, str]) -> dict[str, str]:
    """Environment of a command with its data under a folder."""
    return {
        "RIG_DATABASE_URL": f"sqlite:///{folder}/record.sqlite",
        "HOME": str(folder),
        "XDG_DATA_HOME": str(folder / "data"),
        "COLUMNS": "100",
        **environment,
    }


def rig(*arguments: str, folder: Path, **environment: str) -> subprocess.CompletedProcess[str]:
    """Run the command in this process, from its own entry, with its data under a folder."""
    out, complaints, code = io.StringIO(), io.StringIO(), 0
    handlers = {each: signal.getsignal(each) for each in (signal.SIGTERM, signal.SIGHUP)}
    with pytest.MonkeyPatch.context() as patch, Path(os.devnull).open(encoding="utf-8") as nobody:
        for name, value in surroundings(folder, environment).items():
            patch.setenv(name, value)
        patch.setattr(sys, "argv", ["rig", *arguments])
        patch.setattr(sys, "stdin", nobody)
        with contextlib.redirect_stdout(out), contextlib.redirect_stderr(complaints):
            try:
                main()
            except SystemExit as ended:
                code = ended.code if isinstance(ended.code, int) else int(ended.code is not None)
    for each, handler in handlers.items():
        signal.signal(each, handler)
    return subprocess.CompletedProcess(arguments, code, out.getvalue(), complaints.getvalue())


def rig_as_a_program(*arguments: str, folder: Path, **environment: str) -> subprocess.CompletedProcess[str]:
    """Run the command in a process of its own with its data under a folder."""
    return subprocess.run(
        [sys.executable, "-c", "from rig.cli import main; main()", *arguments],
        capture_output=True,
        text=True,
        timeout=90,
        check=False,
        stdin=subprocess.DEVNULL,
        env={**os.environ, **surroundings(folder, environment)},
    )


def one_sentence(outcome, code):
    """The whole complaint: one line, no traceback, the exit code asked for."""
    assert outcome.returncode == code, outcome.stderr
    assert "Traceback" not in outcome.stderr + outcome.stdout
    complaint = outcome.stderr.strip()
    assert complaint, outcome.stdout
    return complaint


SERIAL = "DM26010001G"


@pytest.fixture(scope="module")
def demonstrated(tmp_path_factory):
    folder = tmp_path_factory.mktemp("demo")
    outcome = rig_as_a_program("demo", "--seed", "3", "--json", folder=folder)
    assert outcome.returncode == 0, outcome.stderr
    return folder, json.loads(outcome.stdout)


def test_help_names_every_command_and_every_exit_code(tmp_path):
    text = rig("--help", folder=tmp_path).stdout
    for word in (
        "demo",
        "check",
        "history",
        "where",
        "0 pass",
        "1 fail",
        "2 wrong",
        "3 bench fault",
        "4 no decision",
    ):
        assert word in " ".join(text.split())


def test_the_demonstration_ends_with_a_verdict_a_slip_and_a_plot(demonstrated):
    _, document = demonstrated
    assert document["decision"] in ("pass", "conditional pass")
    assert len(document["as_left"]) == 14
    plot = Path(document["plots"][0])
    assert plot.read_bytes().startswith(b"\x89PNG")
    slip = plot.with_suffix(".txt").read_text(encoding="ascii")
    assert document["serial"] in slip
    assert "DEMONSTRATION" in slip
    assert max(len(line) for line in slip.splitlines()) <= 40


def test_the_history_tells_as_found_against_as_left(demonstrated):
    folder, document = demonstrated
    outcome = rig("history", document["serial"], "--budget", folder=folder)
    assert outcome.returncode == 0
    assert "as found" in outcome.stdout
    assert document["visit"] in outcome.stdout
    assert f"Budgets as left of visit {document['visit']}" in outcome.stdout
    assert outcome.stdout.count("effective degrees of freedom") == len(document["as_left"])
    assert all(each["test_uncertainty_ratio"] > 1.0 for each in document["as_left"])
    told = json.loads(rig("history", document["serial"], "--json", folder=folder).stdout)
    assert told["visits"][0]["decision"] == document["decision"]
    found = {each["characteristic"]: each["value"] for each in told["visits"][0]["as_found"]}
    assert found == {each["characteristic"]: each["value"] for each in document["as_found"]}


def test_checking_fails_a_unit_nobody_has_trimmed_and_says_what_to_turn(tmp_path):
    outcome = rig("check", SERIAL, "--budget", folder=tmp_path)
    assert outcome.returncode == 1
    assert "meter, share of reading" in outcome.stdout
    assert outcome.stdout.count("test uncertainty ratio") == 14
    assert "Largest risk of a wrong decision" in outcome.stdout
    assert "Recommendation" in outcome.stdout
    assert "SCALE" in outcome.stdout
    assert "Database" in rig("where", folder=tmp_path).stdout


@pytest.mark.parametrize(
    ("serial", "said"),
    [
        ("DM26010001A", "check character"),
        ("hello", "not a serial"),
        ("", "empty"),
        ("DM2601\x1b0001G", "control characters"),
        ("DM26010001'; DROP TABLE unit; --", "not a serial"),
        ("D" * 5000, "at most 64"),
        ("ＤＭ26010001G", "not a serial"),
    ],
    ids=["check character", "another thing", "empty", "control", "quotes", "long", "wide letters"],
)
def test_what_is_not_a_serial_is_refused_before_the_bench_is_touched(tmp_path, serial, said):
    assert said in one_sentence(rig("check", "--", serial, folder=tmp_path), 2)
    assert not (tmp_path / "record.sqlite").exists()


def test_a_serial_never_seen_is_said_to_be_unknown(tmp_path):
    assert SERIAL in one_sentence(rig("history", SERIAL, folder=tmp_path), 2)


def changed(path, old, new, folder):
    text = path.read_text(encoding="utf-8")
    assert old in text
    copy = folder / path.name
    text = text.replace(old, new).replace('"../populations/', f'"{path.parent.parent}/populations/')
    copy.write_text(text, encoding="utf-8")
    return str(copy)


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("points = 17", "points = 3", "range.points"),
        ("points = 17", "point = 17", "range.point"),
        ("volts_per_octave = 1.0", "volts_per_octave = -1.0", "volts_per_octave"),
        ("low_v = 0.0, high_v = 8.0", "low_v = 9.0, high_v = 8.0", "range.full"),
        ("turns = 20.0\neffect_per_turn = 0.004", "turns = 20.0\neffect_per_turn = 0.0", "trims.scale"),
        ('rule = "guard band w = U"', 'rule = "hope"', "decision_rule"),
        ('"DM26010001G"', '"DM26010001H"', "serial"),
        ("points = 17", "points = seventeen", "not valid TOML"),
        ("absolute = { low_v = -0.5, high_v = 8.5 }", "absolute = { low_v = 0.5, high_v = 8.5 }", "absolute"),
        ("knob_range_cents = 30.0", "knob_range_cents = inf", "knob_range_cents"),
    ],
)
def test_a_wrong_field_of_a_product_file_is_named(tmp_path, old, new, said):
    product = changed(demonstration_product(), old, new, tmp_path)
    complaint = one_sentence(rig("check", SERIAL, "--product", product, folder=tmp_path), 2)
    assert said in complaint
    assert product in complaint


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("settling_s = 0.04", "settling_s = -1.0", "source.settling_s"),
        ("percent_of_reading = 0.0035", 'percent_of_reading = "a few"', "meter.ranges"),
        ('"{source}"', '"{sauce}"', "source.resource"),
        (
            "demonstration = true",
            "demonstration = false",
            "wrong field: days_ago and due_in_days (in [source], [meter], [counter]) are for demonstration benches: "
            "write the dates of the certificate, for instance calibration = { on = 2026-01-31, due = 2027-01-31 }.",
        ),
        ('population = "../populations/demo.toml"', 'population = "nowhere.toml"', "nowhere.toml"),
        ('clock = "instant"', 'clock = "cuckoo"', "clock"),
        ("latency_s = 0.005", "latency_s = 0.005\nmood = 1", "mood"),
    ],
)
def test_a_wrong_field_of_a_bench_file_is_named(tmp_path, old, new, said):
    bench = changed(demonstration_bench(), old, new, tmp_path)
    assert said in one_sentence(rig("check", SERIAL, "--bench", bench, folder=tmp_path), 2)


def test_files_that_are_not_there_or_are_no_text(tmp_path):
    assert "no product file" in one_sentence(rig("check", SERIAL, "--product", "gone.toml", folder=tmp_path), 2)
    noise = tmp_path / "noise.toml"
    noise.write_bytes(b"\xff\xfe\x00\x01")
    assert "UTF-8" in one_sentence(rig("check", SERIAL, "--bench", str(noise), folder=tmp_path), 2)
    assert one_sentence(rig("check", SERIAL, "--bench", str(tmp_path), folder=tmp_path), 2)


def real_bench(folder, resource):
    text = demonstration_bench().read_text(encoding="utf-8").split("[virtual]")[0]
    for role in ("source", "meter", "counter"):
        text = text.replace(f'"{{{role}}}"', f'"{resource}"')
    bench = folder / "bench.toml"
    bench.write_text(text, encoding="utf-8")
    return str(bench)


def test_a_bench_that_is_not_there_is_a_bench_fault(tmp_path):
    bench = real_bench(tmp_path, "TCPIP::127.0.0.1::9::SOCKET")
    complaint = one_sentence(rig("check", SERIAL, "--bench", bench, folder=tmp_path), 3)
    assert "TCPIP::127.0.0.1::9::SOCKET" in complaint


def test_a_resource_that_is_no_address_is_said_so(tmp_path):
    bench = real_bench(tmp_path, "the blue one")
    assert "the blue one" in one_sentence(rig("check", SERIAL, "--bench", bench, folder=tmp_path), 3)


def test_databases_that_cannot_be_used(tmp_path):
    (tmp_path / "record.sqlite").write_text("not a database, but long enough to be looked at " * 50)
    assert "record.sqlite" in one_sentence(rig("check", SERIAL, folder=tmp_path), 3)
    elsewhere = f"sqlite:///{tmp_path}/no/such/folder/record.sqlite"
    assert "no/such/folder" in one_sentence(rig("history", SERIAL, folder=tmp_path, RIG_DATABASE_URL=elsewhere), 3)
    assert one_sentence(rig("history", SERIAL, folder=tmp_path, RIG_DATABASE_URL="nonsense"), 2)


def test_wrong_options_are_wrong_input(tmp_path):
    assert rig("demo", "--seed", "minus one", folder=tmp_path).returncode == 2
    refused = one_sentence(rig("demo", "--fault", "gremlins", folder=tmp_path), 2)
    assert refused.startswith("'gremlins' is no fault that can be drawn: name one of dead_stage, ")
    assert rig("tune", folder=tmp_path).returncode == 2


def test_watching_shows_cv_pitch_and_meter_and_leaves_no_record(tmp_path):
    outcome = rig("watch", "--count", "2", "--json", folder=tmp_path)
    assert outcome.returncode == 0, outcome.stderr
    first, second = (json.loads(line) for line in outcome.stdout.splitlines())
    assert second["cv_v"] == pytest.approx(3.0, abs=0.01)
    assert first["meter_v"] == pytest.approx(3.0065, abs=0.001)  # gain error 0.05 %, offset 5 mV of the virtual source
    assert 100.0 < first["frequency_hz"] < 1000.0
    assert not (tmp_path / "record.sqlite").exists()


def test_a_cv_past_the_products_limits_never_leaves_the_program(tmp_path):
    assert "nothing was sent" in one_sentence(rig("watch", "--cv", "9.5", "--count", "1", folder=tmp_path), 2)


def commands_of(group: click.Group, words: tuple[str, ...] = ()) -> Iterator[tuple[tuple[str, ...], click.Command]]:
    """Every command, and every command of a command, with the words that it is typed by."""
    with click.Context(group) as context:
        for name in group.list_commands(context):
            command = group.get_command(context, name)
            yield (*words, name), command
            if isinstance(command, click.Group):
                yield from commands_of(command, (*words, name))


def test_every_command_answers_help_under_the_name_that_is_typed():
    typed = [words for words, _ in commands_of(app)]
    assert [words[0] for words in typed if len(words) == 1] == list(COMMANDS)
    assert ("bench", "study") in typed
    for words in typed:
        outcome = CliRunner().invoke(app, [*words, "--help"], prog_name="rig")
        assert outcome.exit_code == 0, outcome.output
        assert outcome.stdout.startswith(f"Usage: rig {' '.join(words)} [OPTIONS]")


def test_every_option_and_every_argument_says_what_it_is_for():
    for words, command in commands_of(app):
        assert command.help, words
        for each in command.params:
            assert each.help, (words, each.name)


@pytest.mark.parametrize("number", ["nan", "-nan", "inf", "-inf", "1e400", "NaN", "Infinity"])
def test_a_number_that_is_not_finite_is_wrong_usage_of_every_option(number: str):
    options = [
        (words, each.opts[0])
        for words, command in commands_of(app)
        for each in command.params
        if isinstance(each.type, click.types.FloatParamType | FiniteNumber)
    ]
    assert {option for _, option in options} == {"--ambient", "--cv", "--width", "--height", "--wait"}
    for words, option in options:
        for typed in ([option, number], [f"{option}={number}"]):
            outcome = CliRunner().invoke(app, [*words, *typed])
            assert outcome.exit_code == 2, outcome.output
            assert outcome.stderr.endswith(
                f"Invalid value for '{option}': '{number}' is not a finite number: give one that is.\n"
            )


@pytest.mark.parametrize("degrees", ["-5", "-20", "-0.5"])
def test_a_room_below_freezing_is_typed_as_any_other(tmp_path, degrees):
    # what is wrong is the serial, and nothing before it
    assert "not a serial" in one_sentence(rig("check", "hello", "--ambient", degrees, folder=tmp_path), 2)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ("check X --ambient warm", "Invalid value for '--ambient': 'warm' is no number."),
        ("check X --ambient 60.5", "Invalid value for '--ambient': 60.5 is not in the range -20.0<=x<=60.0."),
        ("check X --ambient -21", "Invalid value for '--ambient': -21.0 is not in the range -20.0<=x<=60.0."),
        ("demo --seed 1.5", "Invalid value for '--seed': '1.5' is not a valid whole number."),
        ("demo --seed 2147483648", "Invalid value for '--seed': 2147483648 is not in the range 0<=x<=2147483647."),
        (f"batches --latest {10**30}", f"{10**30} is not in the range 1<=x<=2147483647."),
        (f"batches --latest {'9' * 5000}", "is not a valid whole number."),
        ("check X --bench=", "Invalid value for '--bench': the name is empty: name a file or folder."),
        ("histroy", "No such command 'histroy'. Did you mean 'history'?"),
        ("db chck", "No such command 'chck'. Did you mean 'check'?"),
        ("history", "Missing argument 'SERIAL'."),
        ("history A B", "Got unexpected extra argument (B)"),
        ("where --wrong", "No such option '--wrong'."),
        ("close X", "Missing option '--reason'."),
        ("bench study A B", "Missing option '--operator'."),
        ("people add N --role boss --why x", "'boss' is not one of 'operator', 'engineer', 'left'."),
    ],
    ids=lambda each: each[:40],
)
def test_wrong_usage_is_said_on_the_side_of_complaints(tmp_path, words, said):
    outcome = rig(*words.split(), folder=tmp_path)
    assert (outcome.returncode, outcome.stdout) == (2, "")
    assert outcome.stderr.endswith(f"{said}\n")


@pytest.fixture(scope="module")
def imported_by(tmp_path_factory) -> Callable[..., frozenset[str]]:
    """Says what a command imported; each is started once, and the first makes the record that the others ask."""
    return cache(partial(modules_of, tmp_path_factory.mktemp("asked")))


def modules_of(folder: Path, *words: str) -> frozenset[str]:
    """Names of the modules that are there when a command ends."""
    program = "import sys\nfrom rig.cli import main\ntry:\n    main()\nfinally:\n    print(*sys.modules)"
    ended = subprocess.run(
        [sys.executable, "-c", program, *words],
        capture_output=True,
        text=True,
        timeout=90,
        check=False,
        stdin=subprocess.DEVNULL,
        env={**os.environ, **surroundings(folder, {})},
    )
    imported = frozenset(ended.stdout.splitlines()[-1].split())
    assert "rig.cli" in imported, ended.stderr
    return imported


@pytest.mark.parametrize("words", [("history", SERIAL), ("where",), ("--help",)], ids=lambda each: each[0])
def test_who_only_asks_waits_for_no_library_of_measuring_or_checking(imported_by, words):
    heavy = {"pydantic", "typer", "numpy", "scipy", "rich", "matplotlib", "pyvisa"}
    assert not heavy & imported_by(*words)


@pytest.mark.parametrize(
    ("words", "module"),
    [
        (("history", SERIAL), "rig.commands_kept"),
        (("batch", "2601"), "rig.commands_batch"),
        (("people", "list"), "rig.commands_people"),
    ],
    ids=lambda each: each[0] if isinstance(each, tuple) else "",
)
def test_of_the_commands_only_those_beside_the_one_that_is_typed_are_imported(imported_by, words, module):
    assert {each for each in imported_by(*words) if each.startswith("rig.commands_")} == {module}


@pytest.mark.skipif(not Path("/proc/self/task").is_dir(), reason="threads are listed there on Linux")
def test_a_start_begins_no_thread_that_waits_for_large_matrices():
    program = (
        "import os, sys; from rig.cli import main\n"
        "try:\n    main()\nfinally:\n    import numpy; print(len(os.listdir('/proc/self/task')))"
    )
    environment = {name: value for name, value in os.environ.items() if name not in THREADS_OF_ALGEBRA}
    ended = subprocess.run(
        [sys.executable, "-c", program, "--help"], capture_output=True, text=True, check=False, env=environment
    )
    assert ended.stdout.splitlines()[-1] == "1"


@pytest.mark.parametrize(("flag", "wanted"), [((), None), (("--print",), True), (("--no-print",), False)])
def test_printing_is_left_to_the_bench_file_unless_it_is_asked_for_or_forbidden(monkeypatch, flag, wanted):
    asked = []

    def table(_printer, *, wanted):
        asked.append(wanted)
        raise KeyboardInterrupt

    monkeypatch.setattr("rig.printing.table_for_work", table)
    assert CliRunner().invoke(app, ["work", *flag]).exit_code == 130
    assert asked == [wanted]


def test_ctrl_c_while_a_command_is_read_or_runs_ends_with_the_code_that_shells_have(monkeypatch, tmp_path):
    def interrupted(*_arguments):
        raise KeyboardInterrupt

    monkeypatch.setattr("rig.commands_safety.safe_first", interrupted)
    outcome = rig("check", SERIAL, "--bench", "bench.toml", folder=tmp_path)
    assert (outcome.returncode, outcome.stdout, outcome.stderr) == (130, "", "")
    monkeypatch.setattr("db.location.database_location", interrupted)
    outcome = rig("where", folder=tmp_path)
    assert (outcome.returncode, outcome.stdout, outcome.stderr) == (130, "", "")


def test_whoever_reads_no_further_ends_an_export_without_a_word(demonstrated):
    folder, _ = demonstrated
    environment = {**os.environ, **surroundings(folder, {})}
    command = [sys.executable, "-c", "from rig.cli import main; main()", "export", "--what", "points", "--to", "-"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, env=environment) as running:
        running.stdout.close()
        assert running.stderr.read() == b""
        assert running.wait(timeout=90) == 1


def test_a_bench_file_whose_name_is_no_text_is_said_not_to_be_there(tmp_path):
    outcome = rig("check", SERIAL, "--bench", os.fsdecode(b"b\xff.toml"), folder=tmp_path)
    assert "no bench file b[U+DCFF].toml" in one_sentence(outcome, 2)
