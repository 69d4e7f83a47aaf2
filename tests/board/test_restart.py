import pytest

from controller.board.restart import Life, Watchdog
from controller.errors import BoardError


@pytest.fixture
def machine(tmp_path):
    boot_id, status = tmp_path / "boot_id", tmp_path / "bootstatus"
    boot_id.write_text("first-boot\n")
    status.write_text("0\n")
    return tmp_path, boot_id, status


def life(machine):
    folder, boot_id, status = machine
    return Life(folder / "run", boot_id, status)


def fail_after(step):
    step()
    raise RuntimeError


def test_a_machine_that_has_just_started_says_power_on(machine):
    assert life(machine).begin() == "power-on"


def test_a_machine_that_its_watchdog_reset_says_so(machine):
    machine[2].write_text("32\n")  # WDIOF_CARDRESET is 0x20 (linux/watchdog.h)
    assert life(machine).begin() == "watchdog"


def test_a_program_that_was_killed_and_one_that_ended_are_told_apart(machine):
    life(machine).begin()
    second = life(machine)
    assert second.begin() == "killed"
    second.end()
    assert life(machine).begin() == "ended"
    machine[1].write_text("second-boot\n")
    assert life(machine).begin() == "power-on"


def test_a_folder_that_cannot_be_written_costs_only_the_reason(machine, tmp_path):
    (tmp_path / "run").write_text("a file where the folder should be")
    assert life(machine).begin() == "power-on"
    assert life((tmp_path, tmp_path / "none", tmp_path / "none")).begin() == "power-on"


def test_the_watchdog_is_petted_and_called_off_in_good_order_only(tmp_path):
    device = tmp_path / "watchdog"
    device.touch()
    with Watchdog(str(device)) as watchdog:
        watchdog.pet()
        watchdog.pet()
    assert device.read_bytes() == b"\0\0V"  # Linux, watchdog-api.rst: V before closing calls it off
    device.write_bytes(b"")
    watchdog = Watchdog(str(device))
    with pytest.raises(RuntimeError), watchdog:
        fail_after(watchdog.pet)
    assert device.read_bytes() == b"\0"


def test_without_a_path_it_is_nothing_and_a_wrong_one_is_refused(tmp_path):
    with Watchdog("") as watchdog:
        watchdog.pet()
    with pytest.raises(BoardError, match="cannot be opened"), Watchdog(str(tmp_path / "none")):
        pass
