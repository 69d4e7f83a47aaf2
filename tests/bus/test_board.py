from datetime import UTC, datetime

import pytest

from controller.bus.board import MOST_SESSIONS, BoardContract, Refusal
from controller.bus.messages import LeasePayload
from controller.bus.transport import Message

ALL = ("1", "2")


def board(**options):
    return BoardContract("north", ALL, ("fan",), "boot-a", **{"minimum_on_s": 0.0, **options})


def lease(seq=1, off=ALL, *, session="run-1", boot="boot-a", ttl_s=300.0, vent=(), retained=False, echo=None):
    payload = LeasePayload(
        session=session, boot=boot, seq=seq, ttl_s=ttl_s, off=off, vent=vent, echo_uptime_s=echo
    )
    return Message("rimeward/1/s/lease/north", payload.to_json(), retained)


def test_heats_from_the_start_without_any_message():
    b = board()
    assert b.outputs(0.0) == ALL
    assert b.outputs(1e6) == ALL


@pytest.mark.fault("N15")
def test_lease_rests_what_it_names_until_it_ends():
    b = board()
    assert b.hear(lease(off=("1",), vent=("fan",), ttl_s=60.0), 10.0) is None
    assert b.outputs(10.0) == ("2", "fan")
    assert b.outputs(69.9) == ("2", "fan")
    assert b.outputs(70.0) == ALL


def test_renewed_lease_goes_on_without_a_gap():
    b = board()
    for seq in range(1, 20):
        assert b.hear(lease(seq), seq * 60.0) is None
        assert b.outputs(seq * 60.0) == ()
    assert b.outputs(19 * 60.0 + 299.9) == ()
    assert b.outputs(19 * 60.0 + 300.0) == ALL


def test_next_lease_replaces_the_one_before_entirely():
    b = board()
    b.hear(lease(1, off=ALL, vent=("fan",)), 0.0)
    b.hear(lease(2, off=("2",), ttl_s=10.0), 1.0)
    assert b.outputs(1.0) == ("1",)
    assert b.outputs(11.0) == ALL


@pytest.mark.parametrize(
    ("message", "why"),
    [
        (lease(2, retained=True), Refusal.RETAINED),
        (Message("t", b"OFF"), Refusal.GARBLED),
        (Message("t", b""), Refusal.GARBLED),
        (Message("t", lease(2).payload.replace(b'"ttl_s":300.0', b'"ttl_s":300.1')), Refusal.GARBLED),
        (Message("t", lease(2).payload.replace(b'"off"', b'"oof"')), Refusal.GARBLED),
        (lease(2, boot="boot-b"), Refusal.OTHER_BOOT),
        (lease(1), Refusal.OLD_SEQUENCE),
        (lease(2, session="run-0"), Refusal.REPLACED_SESSION),
        (lease(2, echo=700.0), Refusal.OLD_ECHO),
    ],
)
def test_refused_lease_changes_nothing(message, why):
    b = board()
    b.hear(lease(1, session="run-0"), 0.0)
    b.hear(lease(1, off=("1",), ttl_s=50.0), 1.0)
    assert b.hear(message, 40.0) == why
    assert b.outputs(40.0) == ("2",)
    assert b.outputs(51.0) == ALL
    assert (b.echo(51.0).session, b.echo(51.0).seq) == ("run-1", 1)


def test_channels_of_other_boards_and_of_the_other_kind_are_passed_over():
    b = board()
    assert b.hear(lease(off=("1", "99", "fan"), vent=("2", "roof")), 0.0) is None
    assert b.outputs(0.0) == ("2",)


def test_two_living_controllers_end_in_one_being_obeyed():
    b = board()
    b.hear(lease(5, session="old"), 0.0)
    assert b.hear(lease(1, session="new", off=()), 1.0) is None
    assert b.hear(lease(6, session="old"), 2.0) == Refusal.REPLACED_SESSION
    assert b.outputs(2.0) == ALL


def test_recorded_leases_mean_nothing_after_a_restart():
    recorded = [lease(seq, session=session) for session in ("run-1", "run-2") for seq in range(1, 50)]
    b = BoardContract("north", ALL, (), "boot-b")
    assert {b.hear(message, 1.0) for message in recorded} == {Refusal.OTHER_BOOT}
    assert b.outputs(1.0) == ALL


@pytest.mark.fault("N03")
def test_every_recorded_lease_played_again_changes_nothing():
    b = board()
    recorded = [lease(seq, echo=seq * 60.0) for seq in range(1, 50)]
    for seq, message in enumerate(recorded, start=1):
        assert b.hear(message, seq * 60.0) is None
    end_s = 49 * 60.0 + 300.0
    assert {b.hear(message, end_s) for message in recorded} == {Refusal.OLD_SEQUENCE}
    assert b.outputs(end_s) == ALL


def test_lease_of_a_session_never_heard_here_dies_with_the_echo_it_answers():
    # Made while the board was cut off, kept by someone, played when its controller had long been replaced.
    b = board()
    never_heard = lease(7, session="run-0", echo=100.0)
    b.hear(lease(1, session="run-1", off=(), echo=350.0), 360.0)
    assert b.hear(never_heard, 401.0) == Refusal.OLD_ECHO
    assert b.outputs(401.0) == ALL
    assert b.hear(lease(2, session="run-1", echo=400.0), 401.0) is None


def test_echo_from_the_future_is_not_believed():
    b = board(started_s=1000.0)
    assert b.hear(lease(echo=50.0), 1049.0) == Refusal.OLD_ECHO
    assert b.hear(lease(echo=50.0), 1050.0) is None


def test_memory_for_sessions_is_bounded_and_a_new_boot_takes_its_place():
    b = board()
    for number in range(MOST_SESSIONS + 1):
        assert b.boot == "boot-a"
        assert b.hear(lease(session=f"run-{number}"), float(number)) is None
    assert b.boot == "boot-a.2"
    assert b.echo(40.0).boot == "boot-a.2"
    assert b.hear(lease(2, session="run-3"), 40.0) == Refusal.OTHER_BOOT
    assert b.hear(lease(2, session=f"run-{MOST_SESSIONS}", boot="boot-a.2"), 40.0) is None


@pytest.mark.fault("N04")
def test_going_off_waits_for_the_minimum_time_on():
    b = board(minimum_on_s=120.0)
    b.hear(lease(1), 30.0)
    assert b.outputs(119.9) == ALL
    assert b.outputs(120.0) == ()
    b.hear(lease(2, off=("2",)), 200.0)
    assert b.outputs(200.0) == ("1",)  # on at once
    b.hear(lease(3), 210.0)
    assert b.outputs(210.0) == ("1",)
    assert b.outputs(319.9) == ("1",)
    assert b.outputs(320.0) == ()


def test_minimum_time_counts_from_the_moment_a_lease_ran_out():
    b = board(minimum_on_s=120.0)
    b.hear(lease(1, ttl_s=60.0), 1000.0)
    assert b.outputs(1000.0) == ()
    b.hear(lease(2), 1100.0)  # on since 1060 s
    assert b.outputs(1179.9) == ALL
    assert b.outputs(1180.0) == ()


def test_minimum_time_is_not_restarted_by_leases_that_never_came_to_rest_it():
    b = board(minimum_on_s=120.0)
    b.hear(lease(1, ttl_s=10.0), 0.0)
    b.hear(lease(2, ttl_s=10.0), 50.0)
    b.hear(lease(3), 130.0)
    assert b.outputs(130.0) == ()


def test_an_interlocked_vent_moves_only_while_no_heater_heats():
    b = board(interlocked=("fan",))
    b.hear(lease(1, off=("1",), vent=("fan",)), 0.0)
    assert b.outputs(0.0) == ("2",)
    b.hear(lease(2, vent=("fan",), ttl_s=60.0), 1.0)
    assert b.outputs(1.0) == ("fan",)
    assert b.outputs(61.0) == ALL


def test_start_delay_holds_off_only_the_first_start():
    b = board(start_delays_s={"2": 20.0}, started_s=100.0)
    assert b.outputs(100.0) == ("1",)
    assert b.outputs(120.0) == ALL
    b.hear(lease(1, ttl_s=10.0), 130.0)
    assert b.outputs(140.0) == ALL


def test_a_timer_set_back_does_not_make_a_start_that_is_put_off():
    b = board()
    b.hear(lease(1), 5000.0)
    b.hear(lease(2, off=()), 5100.0)
    assert b.outputs(5100.0) == ALL
    assert b.outputs(1500.0) == ALL


@pytest.mark.parametrize("delay_s", [-1.0, 60.1, float("nan")])
def test_start_delay_out_of_bounds_is_refused(delay_s):
    with pytest.raises(ValueError, match="start delays"):
        board(start_delays_s={"1": delay_s})


@pytest.mark.parametrize("boot", ["", "b" * 49])
def test_boot_name_out_of_bounds_is_refused(boot):
    with pytest.raises(ValueError, match="boot name"):
        BoardContract("north", ALL, (), boot)


def test_timer_that_gives_no_number_means_heat():
    b = board()
    b.hear(lease(), 0.0)
    assert b.outputs(float("nan")) == ALL


def test_echo_says_what_is():
    b = board(started_s=50.0)
    at = datetime(2026, 1, 7, 3, 0, tzinfo=UTC)
    assert b.echo(50.0).session is None
    b.hear(lease(9, off=("1",), vent=("fan",)), 60.0)
    echo = b.echo(62.0, at, "power-on")
    assert (echo.boot, echo.session, echo.seq) == ("boot-a", "run-1", 9)
    assert echo.on == ("2", "fan")
    assert (echo.at, echo.uptime_s, echo.reset_reason) == (at, 12.0, "power-on")
