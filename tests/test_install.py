"""A new release is tried first, not taken up into a cold night, and put back if it does not stay up."""

import json
import os
import subprocess
from pathlib import Path

import pytest

TOP = Path(__file__).parents[1]

SYSTEMCTL = """#!/bin/sh
echo "$@" >> {folder}/calls
case "$1" in
  restart) case "$(readlink {prefix}/venv)" in *broken*) exit ${{RESTART_RC:-0}};; esac ;;
  is-active) case "$(readlink {prefix}/venv)" in *broken*) exit 3;; esac ;;
  show) case "$(readlink {prefix}/venv)" in
      *loops*) n=$(cat {folder}/n 2>/dev/null || echo 0); echo $((n + 1)) | tee {folder}/n ;;
      *) echo 0 ;;
    esac ;;
esac
"""


class Machine:
    """A prefix with releases that do what the scripts ask, and a service manager that plays along."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.prefix, self.etc = folder, folder / "opt", folder / "etc"
        self.systemctl = folder / "systemctl"
        self.systemctl.write_text(SYSTEMCTL.format(folder=folder, prefix=self.prefix))
        self.systemctl.chmod(0o755)
        self.site = folder / "site.toml"
        self.site.write_text("")

    def release(self, name: str, *, watts: float = 0.0, check: int = 0, rehearse: int = 0, plan: int = 0):
        path = self.prefix / "releases" / name
        (path / "bin").mkdir(parents=True)
        made = json.dumps({"course": {"string_w": [[0.0, 0.0]] * 10 + [[watts, 0.0]] + [[0.0, 0.0]] * 60}})
        program = path / "bin" / "rimeward"
        program.write_text(
            f"#!/bin/sh\ncase $1 in check) exit {check};; rehearse) exit {rehearse};; "
            f"plan) echo '{made}'; exit {plan};; esac\n"
        )
        program.chmod(0o755)
        (path / "bin" / "python").write_text('#!/bin/sh\nexec python3 "$@"\n')
        (path / "bin" / "python").chmod(0o755)
        return path

    def use(self, release: Path) -> None:
        (self.prefix / "venv").symlink_to(release)

    @property
    def used(self) -> str:
        return (self.prefix / "venv").readlink().name

    def sh(self, command: str) -> subprocess.CompletedProcess:
        environment = {
            **os.environ,
            "SYSTEMCTL": str(self.systemctl),
            "ETC": str(self.etc),
            "SETTLE_S": "0",
            "prefix": str(self.prefix),
            "site": str(self.site),
        }
        script = f"set -eu; . deploy/common.sh; . deploy/release.sh; {command}"
        return subprocess.run(
            ["sh", "-c", script], cwd=TOP, env=environment, capture_output=True, text=True, check=False
        )

    def calls(self) -> str:
        return (self.folder / "calls").read_text()


@pytest.fixture
def machine(tmp_path):
    return Machine(tmp_path)


def test_a_first_release_is_taken_up(machine):
    new = machine.release("1")
    done = machine.sh(f'night_is_far "$prefix" "$site" "" && take_up "$prefix" {new}')
    assert done.returncode == 0, done.stderr
    assert machine.used == "1"
    assert "restart rimeward" in machine.calls()


@pytest.mark.fault("P14", "P08", "P-20")
@pytest.mark.parametrize("name", ["2-broken", "2-loops"])
def test_one_that_does_not_stay_up_is_replaced_by_the_one_before(machine, name):
    machine.use(machine.release("1"))
    new = machine.release(name)
    done = machine.sh(f'take_up "$prefix" {new}')
    assert done.returncode == 1
    assert machine.used == "1"
    assert "put back" in done.stderr
    assert machine.calls().count("restart rimeward\n") == 2


@pytest.mark.fault("P14")
@pytest.mark.parametrize(("trouble", "words"), [("check", "refuses"), ("rehearse", "rehearsed night")])
def test_one_that_fails_its_trial_changes_nothing(machine, trouble, words):
    machine.use(machine.release("1"))
    new = machine.release("2", **{trouble: 1})
    done = machine.sh(f'try_release {new} "$site" && take_up "$prefix" {new}')
    assert done.returncode == 1
    assert words in done.stderr
    assert machine.used == "1"
    assert not (machine.folder / "calls").exists()


@pytest.mark.fault("P14")
def test_nothing_is_changed_before_a_night_that_needs_heat_unless_told_so(machine):
    machine.use(machine.release("1", watts=175.0))
    refused = machine.sh('night_is_far "$prefix" "$site" ""')
    assert (refused.returncode, "need heat" in refused.stderr) == (1, True)
    assert machine.sh('night_is_far "$prefix" "$site" --now').returncode == 0


def test_nor_where_it_cannot_be_told(machine):
    machine.use(machine.release("1", plan=1))
    refused = machine.sh('night_is_far "$prefix" "$site" ""')
    assert (refused.returncode, "cannot be told" in refused.stderr) == (1, True)


def test_a_mild_night_is_no_hindrance(machine):
    machine.use(machine.release("1"))
    assert machine.sh('night_is_far "$prefix" "$site" ""').returncode == 0


def test_the_release_in_use_and_the_newest_other_are_kept(machine):
    for name in ("1-20270101T000000Z", "1-20270201T000000Z", "1-20270301T000000Z"):
        machine.release(name)
    machine.use(machine.release("1-20270401T000000Z"))
    machine.sh('forget_old "$prefix"')
    left = sorted(path.name for path in (machine.prefix / "releases").iterdir())
    assert left == ["1-20270301T000000Z", "1-20270401T000000Z"]


# ---- extras ------------------------------------------------------------------------------------------------


def extras(machine: Machine, *, had: str = "", pip: int = 0) -> tuple[subprocess.CompletedProcess, str]:
    """Let a new release take over what the old one had; return that and what pip was asked for."""
    old, new = machine.release("1"), machine.release("2")
    machine.use(old)
    for release, modules in ((old, had.split()), (new, [])):
        known = "".join(f'"import {module}") exit 0;; ' for module in modules)
        (release / "bin" / "python").write_text(
            f'#!/bin/sh\ncase $2 in {known}"import "[a-z]*) exit 1;; esac\nexec python3 "$@"\n'
        )
    (new / "bin" / "pip").write_text(f'#!/bin/sh\necho "$@" >> {machine.folder}/asked\nexit {pip}\n')
    (new / "bin" / "pip").chmod(0o755)
    done = machine.sh(f'carry_extras "$prefix" {new} "$site"')
    asked = machine.folder / "asked"
    return done, asked.read_text() if asked.exists() else ""


MESSENGER = '[[alarm.messenger]]\nname = "tom"\n'


@pytest.mark.parametrize(
    ("had", "site", "wanted"),
    [
        ("apprise", "", "alarm"),
        ("apprise gpiozero matplotlib", "", "alarm,board,report"),
        ("", MESSENGER, "alarm"),
        ("gpiozero", MESSENGER, "board,alarm"),
    ],
)
def test_a_new_release_has_the_extras_of_the_one_before_and_of_the_site(machine, had, site, wanted):
    machine.site.write_text(site)
    done, asked = extras(machine, had=had)
    assert done.returncode == 0, done.stderr
    assert asked.endswith(f" .[{wanted}]\n")
    pinned = (machine.prefix / "releases" / "2" / ".extras").read_text()
    assert "\napprise==" in pinned
    assert "--hash" not in pinned


@pytest.mark.parametrize("site", ["", "[alarm]\n", "not TOML"])
def test_where_none_is_wanted_nothing_is_looked_for(machine, site):
    machine.site.write_text(site)
    done, asked = extras(machine)
    assert (done.returncode, asked) == (0, "")


def test_a_release_whose_messengers_would_be_silent_is_not_taken_up(machine):
    machine.site.write_text(MESSENGER)
    done, _ = extras(machine, pip=1)
    assert done.returncode == 1
    assert "The extras alarm cannot be had" in done.stderr
    assert "nothing was changed" in done.stderr
    assert machine.used == "1"


# ---- the command that people type --------------------------------------------------------------------------

STUBS = {
    # the name of who runs it with -un, root's number with -u; the user rimeward is there
    "id": "#!/bin/sh\ncase $1 in -un) echo $CALLER;; -u) echo 0;; esac\n",
    "turn": '#!/bin/sh\necho "${0##*/} $1 $2 $3" >> $FOLDER/turned\nshift 3\nAS=rimeward exec "$@"\n',
    # a file named "closed" stands for one in a folder of the caller's own
    "test": '#!/bin/sh\n[ "$AS $2" != "rimeward closed" ]\n',
}


class Desk:
    """A computer with Rimeward installed, and somebody who types commands there."""

    def __init__(self, machine: Machine) -> None:
        self.machine, self.folder = machine, machine.folder
        self.programs = machine.folder / "programs"
        self.programs.mkdir()
        for name, text in (*STUBS.items(), ("runuser", STUBS["turn"]), ("sudo", STUBS["turn"])):
            (self.programs / name).write_text(text)
            (self.programs / name).chmod(0o755)
        self.path = f"{self.programs}:{os.environ['PATH']}"
        release = machine.release("1")
        (release / "bin" / "rimeward").write_text(
            '#!/bin/sh\necho "$AS|$STATE_DIRECTORY|$*"\nexit ${RC:-0}\n'
        )
        machine.use(release)
        done = machine.sh(f'PATH={self.path} BIN={self.folder}/bin; place_files "$site"')
        assert done.returncode == 0, done.stderr

    def type(self, caller: str, *words: str, **more: str) -> subprocess.CompletedProcess:
        environment = {
            **os.environ,
            "PATH": self.path,
            "CALLER": caller,
            "FOLDER": str(self.folder),
            "AS": caller,
            "RIMEWARD_PREFIX": str(self.machine.prefix),
            **more,
        }
        command = [str(self.folder / "bin" / "rimeward"), *words]
        return subprocess.run(
            command, cwd=self.folder, env=environment, capture_output=True, text=True, check=False
        )

    def turned(self) -> set[str]:
        file = self.folder / "turned"
        return set(file.read_text().splitlines()) if file.exists() else set()


@pytest.fixture
def desk(machine):
    return Desk(machine)


@pytest.mark.parametrize(
    ("caller", "turned"),
    [
        ("root", {"runuser -u rimeward --"}),
        ("nora", {"sudo -u rimeward --"}),
        ("rimeward", set()),
    ],
)
def test_whoever_types_it_the_command_keeps_to_the_service_s_user_and_state(desk, caller, turned):
    done = desk.type(caller, "hand", "--who", "Nora of the yard", RC="3")
    assert done.stdout == "rimeward|/var/lib/rimeward|hand --who Nora of the yard\n", done.stderr
    assert done.returncode == 3, "the program's own"
    assert desk.turned() == turned


@pytest.mark.parametrize("words", [("--site", "closed"), ("--site=closed",)])
def test_a_file_that_the_service_s_user_cannot_read_is_named(desk, words):
    (desk.folder / "closed").write_text("")
    done = desk.type("nora", "check", *words)
    assert (done.returncode, done.stdout) == (1, "")
    assert "closed cannot be read by the user rimeward" in done.stderr
    assert "/etc/rimeward/site.toml" in done.stderr
    assert desk.type("rimeward", "check", "--site", str(desk.machine.site)).returncode == 0


def test_who_may_not_become_the_service_s_user_is_told_so(desk):
    (desk.programs / "sudo").write_text("#!/bin/sh\nexit 1\n")
    done = desk.type("tom", "report")
    assert (done.returncode, done.stdout) == (1, "")
    assert "as root, or by sudo" in done.stderr


def test_the_service_can_read_a_site_file_that_only_its_owner_could(machine):
    machine.site.chmod(0o600)
    done = machine.sh(f'BIN={machine.folder}/bin; place_files "$site"')
    assert done.returncode == 0, done.stderr
    assert (machine.etc / "rimeward" / "site.toml").stat().st_mode & 0o777 == 0o644
