"""The commands that need no bus."""

import fcntl
import json
import re
from dataclasses import replace

import pytest
from click.testing import CliRunner

from controller import __version__
from controller.cli import main
from controller.journal.store import open_for_writing
from controller.site.load import example_site
from controller.weather.service import Forecasts
from simulator.night import FOLDER
from tests.plan.test_outlook import forecast as hard_night
from tests.plan.test_plan import LATE

SITE = ("--site", str(example_site("curlew-yard")))


def run(*args):
    return CliRunner().invoke(main, list(args))


def test_check_says_what_was_understood():
    result = run("check", str(example_site("curlew-yard")))
    assert result.exit_code == 0
    assert "every heater comes on by itself within 300 s" in result.output


def test_check_refuses_a_wrong_file_with_one_line_a_fault_and_no_traceback(tmp_path):
    file = tmp_path / "site.toml"
    file.write_text(example_site("curlew-yard").read_text().replace('"lemon"', '"lemmon"', 2))
    result = run("check", str(file))
    assert result.exit_code == 1
    assert "Traceback" not in result.output
    assert "input should be 'satsuma'" in result.output


@pytest.mark.parametrize(
    "words",
    [
        ("rehearse", "clear-calm", "--fast", "--trace", "{}/x"),
        ("run", *SITE, "--state", "{}/x"),
        ("wire", *SITE, "--state", "{}/x"),
        ("phone", "link", *SITE, "--address", "https://frost.lan", "--who", "N. Byrne", "--state", "{}/x"),
        ("campaign", "{}/x", "--night", "clear-calm", "--fault", "S01"),
        ("study", *SITE, "--winters", "1", "--keep", "{}/x"),
    ],
    ids=lambda words: " ".join(words[:2]),
)
def test_a_place_where_nothing_can_be_kept_is_named_without_a_traceback(tmp_path, words):
    """A file stands where a folder is needed."""
    file = tmp_path / "file"
    file.touch()
    result = run(*(word.format(file) for word in words))
    assert result.exit_code == 1
    assert isinstance(result.exception, SystemExit)
    assert f"{file}/x" in result.stderr
    assert "cannot be used (Not a directory); give a path where" in result.stderr


def test_a_fault_of_the_system_that_is_of_no_file_is_not_taken_for_one(monkeypatch):
    def broken(_path):
        raise OSError("no such device")

    monkeypatch.setattr("controller.cli.site.load_site", broken)
    assert isinstance(run("check", SITE[1]).exception, OSError)


def test_the_schema_explains_every_setting():
    schema = json.loads(run("schema").output)
    models = [schema, *schema["$defs"].values()]
    bare = [
        f"{model.get('title')}.{name}"
        for model in models
        for name, field in model.get("properties", {}).items()
        if "description" not in field and "$ref" not in str(field)
    ]
    assert bare == []


def test_version_and_help():
    assert __version__ in run("--version").output
    assert "frost" in run("--help").output


def test_a_real_site_may_not_be_paced(tmp_path):
    result = run("run", "--site", str(example_site("curlew-yard")), "--state", str(tmp_path), "--pace", "10")
    assert result.exit_code == 1
    assert "Only a site file with rehearsal = true may be paced" in result.output


def test_forecasts_are_scored_from_a_logbook(tmp_path):
    rows = [f"2027-01-{1 + h // 24:02d}T{h % 24:02d}:00Z,12,{h % 7 - 1.5},{h % 7 - 3}" for h in range(240)]
    logbook = tmp_path / "logbook.csv"
    logbook.write_text("\n".join(["time,lead_h,forecast_c,observed_c", *rows]))
    site = str(example_site("curlew-yard"))
    result = run("forecast", "verify", "--site", site, "--pairs", str(logbook))
    assert result.exit_code == 0, result.output
    assert "all                      240" in result.output
    result = run("forecast", "verify", "--site", site, "--state", str(tmp_path))
    assert result.exit_code == 1
    assert f"{tmp_path}/journal.db: no journal can be read here" in result.stderr
    assert "--state names another folder" in result.stderr


def test_size_says_watts_and_a_winters_cost():
    site = str(example_site("curlew-yard"))
    plain = run("size", "--site", site, "--design-min", "-12", "--weather", "1")
    assert plain.exit_code == 0, plain.output
    assert "At -12 °C on the worst of these nights" in plain.output
    assert "German reference year 1" in plain.output
    figures = json.loads(run("size", "--site", site, "--design-min", "-12", "--json").output)
    assert figures["sizing"]["design_min_c"] == -12.0
    assert run("size", "--site", site, "--weather", "77").exit_code == 1


def test_plan_shows_what_the_daemon_would_plan(tmp_path, monkeypatch):
    def latest(_, now):
        given = hard_night(-12.0)
        moved_s = now.timestamp() - LATE.timestamp()
        return replace(given, at_s=given.at_s + moved_s - moved_s % 3600.0), False

    monkeypatch.setattr(Forecasts, "latest", latest)
    site = str(example_site("curlew-yard"))
    plain = run("plan", "--site", site, "--state", str(tmp_path), "--picture", str(tmp_path / "plan.svg"))
    assert plain.exit_code == 0, plain.output
    assert "the strings are too small for" in plain.output
    assert (tmp_path / "plan.svg").exists()
    (tmp_path / "forecast.json").write_text("{}")
    open_for_writing(tmp_path / "journal.db")[0].close()
    figures = json.loads(run("plan", "--site", site, "--state", str(tmp_path), "--json").output)
    assert figures["trees"]["lemon"]["lacks_w"] > 0.0
    monkeypatch.setattr(Forecasts, "latest", lambda *_: (hard_night(-12.0), False))
    result = run("plan", "--site", site, "--state", str(tmp_path))
    assert result.exit_code == 1
    assert "says too little of the coming six hours" in result.stderr


def test_page_and_password_say_in_which_folder_they_look(tmp_path):
    site, elsewhere = str(example_site("curlew-yard")), str(tmp_path / "elsewhere")
    given = "satsumas in snow\n" * 2
    done = CliRunner().invoke(main, ["phone", "password", "--site", site, "--state", elsewhere], input=given)
    assert f"The password is set for the page whose state is in {elsewhere}." in done.output
    here = str(tmp_path / "here")
    refused = run("phone", "--site", site, "--state", here, "--host", "192.0.2.7")
    assert refused.exit_code == 1
    assert "no password is set" in refused.output
    assert f"password and journal in {here}; --state: another" in refused.output


def test_the_page_of_a_real_site_may_not_be_paced_either(tmp_path):
    site = str(example_site("curlew-yard"))
    result = run("phone", "--site", site, "--state", str(tmp_path), "--pace", "10")
    assert result.exit_code == 1
    assert "Only a site file with rehearsal = true may be paced" in result.output


@pytest.mark.fault("P11")
def test_a_second_instance_is_refused_with_a_code_of_its_own(tmp_path, met):
    with (tmp_path / "lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        result = run("run", "--site", str(example_site("curlew-yard")), "--state", str(tmp_path))
    assert result.exit_code == 75
    assert "already guards" in result.output
    met(reaction="none: refused at start, in words", alarm="none: refused at start, in words")


def test_what_a_live_rehearsal_cannot_do_is_refused():
    for option in (("--json",), ("--trace", "x"), ("--fault", "S01")):
        done = CliRunner().invoke(main, ["rehearse", "clear-calm", *option])
        assert done.exit_code == 2
        assert "need --fast" in done.output


def test_faults_are_listed_with_where_they_happen():
    said = CliRunner().invoke(main, ["rehearse", "--list-faults"]).output
    assert re.search(r"^S01 +4 probes +probe holds a plausible warm value", said, re.MULTILINE)
    assert re.search(r"^K01 +4 - +site file is not TOML", said, re.MULTILINE)
    assert re.search(r"^P-16 +4 pair ", said, re.MULTILINE)


def test_a_night_with_a_fault_says_what_came_of_it(tmp_path):
    text = (FOLDER / "clear-calm.toml").read_text().replace("hours = 16.0", "hours = 0.5")
    night = tmp_path / "short.toml"
    night.write_text(text)
    done = CliRunner().invoke(main, ["rehearse", str(night), "--fast", "--fault", "S24:lemon@10m"])
    assert "air-lemon was last heard" in done.output
    assert "P99" not in done.output
    assert "°C outside at" in done.output
    assert "UTC" not in done.output
    refused = CliRunner().invoke(main, ["rehearse", str(night), "--fast", "--fault", "K01"])
    assert refused.exit_code != 0
    assert "cannot happen in a simulated night" in refused.output


def test_a_night_says_both_prices_where_there_are_two(tmp_path):
    file = tmp_path / "site.toml"
    rates = "night_price_per_kwh = 0.12\nnight_from = 23:00:00\nnight_until = 08:00:00"
    text = example_site("curlew-yard").read_text()
    file.write_text(
        re.sub(r"^price_per_kwh = .*$", f"price_per_kwh = 0.3\n{rates}", text, flags=re.MULTILINE)
    )
    said = run("rehearse", "mild-fog", "--fast", "--site", str(file)).output
    assert "at 0.3 per kWh, 0.12 from 23:00 to 08:00; " in said


def test_alarm_test_says_what_each_way_answered(tmp_path, monkeypatch):
    site = tmp_path / "site.toml"
    site.write_text(
        example_site("curlew-yard").read_text()
        + """
[[alarm.mail]]
name = "nora"
host = "mail.curlew-yard.example"
sender = "frost@curlew-yard.example"
to = ["nora@curlew-yard.example"]
[[alarm.messenger]]
name = "tom"
address_file = "/no/such/file"
"""
    )
    sent = []
    monkeypatch.setattr("controller.alarm.ways.send_mail", lambda _, *message: sent.append(message))
    both = run("alarm", "test", "--site", str(site))
    assert both.exit_code == 1
    assert "nora: taken; see that it arrives" in both.output
    assert "tom: NOT taken. /no/such/file: the messenger's address cannot be read" in both.output
    assert sent[0][0] == "Curlew Yard: a test: messages arrive"
    assert run("alarm", "test", "--site", str(site), "--way", "nora").exit_code == 0
    nobody = run("alarm", "test", "--site", str(example_site("curlew-yard")))
    assert nobody.exit_code == 2
    assert "add [[alarm.mail]]" in nobody.output


@pytest.mark.parametrize(
    "given", [("--fast",), ("--mistake", "channels-exchanged"), ("--meters",), ("--seed", "0")]
)
@pytest.mark.parametrize("real", [(), ("--unattended",), ("--compare",)])
def test_what_only_a_rehearsal_knows_never_goes_to_the_real_bus(monkeypatch, given, real):
    """`--rehearse` forgotten: nothing is switched, and the option is named."""
    switched = []
    monkeypatch.setattr("controller.wiring.by_command.wire_on_bus", lambda *_, **__: switched.append(1))
    result = run("wire", "--site", str(example_site("curlew-yard")), *real, *given)
    assert result.exit_code == 2
    assert f"{given[0]}: only in a rehearsal; add --rehearse" in result.output
    assert switched == []


def test_a_real_wiring_test_needs_no_option_of_rehearsals(monkeypatch):
    switched = []
    monkeypatch.setattr("controller.wiring.by_command.wire_on_bus", lambda *_, **__: switched.append(1))
    assert run("wire", "--site", str(example_site("curlew-yard")), "--short").exit_code == 0
    assert switched == [1]
