"""Cases of the bus contract: leases, and what is none."""

from typing import Any

from controller.board.conform import (
    ECHO_EVERY_S,
    LONGEST_STAGGER_S,
    Bench,
    Can,
    Controller,
    all_heat,
    all_rest,
    case,
    json_of,
    refused,
    require,
    said,
)
from controller.bus.board import MINIMUM_ON_S, MOST_SESSIONS
from controller.bus.messages import LARGEST_PAYLOAD_BYTES, LONGEST_LEASE_S

# ---- how long a lease lasts --------------------------------------------------------------------------


@case("a lease rests the heaters it names and no others")
def _lease_is_obeyed(bench: Bench, controller: Controller) -> None:
    controller.lease(bench.heaters[:1])
    bench.wait(bench.slack_s)
    require(bench.on() == frozenset(bench.heaters[1:]), f"leased off: {bench.heaters[0]}; {said(bench)}")


@case("a lease that is not renewed runs out on time, and every heater comes on")
def _lease_runs_out(bench: Bench, controller: Controller) -> None:
    controller.lease(bench.heaters, ttl_s=60.0)
    bench.wait(60.0 - 2 * bench.slack_s - 1.0)
    all_rest(bench, "a second before its lease ends")
    bench.wait(2 * bench.slack_s + 1.0)
    require(bool(bench.on()), "its lease has run out, but no heater is on")
    bench.wait(LONGEST_STAGGER_S)
    all_heat(bench, "a minute after its lease ended")


@case("a lease that is renewed goes on without a gap")
def _lease_is_renewed(bench: Bench, controller: Controller) -> None:
    for _ in range(4):
        controller.lease(bench.heaters, ttl_s=90.0)
        bench.wait(60.0)
        all_rest(bench, "under a renewed lease")


@case("the next lease replaces the one before entirely, its end too")
def _lease_is_replaced(bench: Bench, controller: Controller) -> None:
    controller.lease(bench.heaters)
    controller.lease(bench.heaters[:1], ttl_s=10.0)
    bench.wait(bench.slack_s)
    require(bench.heaters[0] not in bench.on(), "the second lease lets the first heater rest")
    require(len(bench.on()) >= 1 or len(bench.heaters) == 1, f"the second lease names one, {said(bench)}")
    bench.wait(10.0 + LONGEST_STAGGER_S)
    all_heat(bench, "after the second, shorter lease")


@case("no lease may last longer than 300 s")
def _lease_is_too_long(bench: Bench, controller: Controller) -> None:
    for ttl_s in (300.1, 3600.0, 1e9):
        refused(bench, controller, f"of {ttl_s:g} s", ttl_s=ttl_s)


@case("a lease of no length is none")
def _lease_has_no_length(bench: Bench, controller: Controller) -> None:
    for ttl_s in (0.0, -60.0):
        refused(bench, controller, f"of {ttl_s:g} s", ttl_s=ttl_s)


@case("a lease lasts as long whatever the board's wall clock does", Can.SET_CLOCK)
def _wall_clock_jumps(bench: Bench, controller: Controller) -> None:
    for jump_s in (3600.0, -7200.0, -1e9):
        controller.lease(bench.heaters, ttl_s=60.0)
        bench.set_clock(jump_s)
        bench.wait(59.0)
        all_rest(bench, f"after a jump of its wall clock by {jump_s:g} s")
        bench.wait(1.0 + LONGEST_STAGGER_S)
        all_heat(bench, f"after its lease and a jump of its wall clock by {jump_s:g} s")
        bench.wait(MINIMUM_ON_S)


# ---- which leases count ------------------------------------------------------------------------------


@case("a number heard before is refused, and so is a lower one")
def _numbers_only_rise(bench: Bench, controller: Controller) -> None:
    controller.lease(seq=50)
    for seq in (50, 49, 1):
        refused(bench, controller, f"numbered {seq} after 50", seq=seq)
    for seq in (0, -1):
        refused(bench, controller, f"numbered {seq}", seq=seq)


@case("numbers may leave gaps: a lost lease is no harm")
def _numbers_have_gaps(bench: Bench, controller: Controller) -> None:
    controller.lease(bench.heaters, seq=1000)
    bench.wait(bench.slack_s)
    all_rest(bench, "after a lease whose forerunners were lost")


@case("a new session is obeyed, and the one it replaced never again")
def _sessions_replace_one_another(bench: Bench, controller: Controller) -> None:
    second = Controller(bench, f"{controller.session}-2")
    second.lease()
    refused(bench, controller, "of a replaced session", seq=1000)
    second.lease(bench.heaters)
    bench.wait(bench.slack_s)
    all_rest(bench, "after a lease of the new session")


@case("however many sessions came, the first is not obeyed again")
def _many_sessions(bench: Bench, controller: Controller) -> None:
    boot = bench.echoes()[-1].boot
    for number in range(MOST_SESSIONS + 3):
        Controller(bench, f"{controller.session}-{number}").lease()
    bench.wait(ECHO_EVERY_S)
    refused(bench, controller, "of the first of many sessions", seq=1000, boot=boot)


@case("a lease that answers an echo older than 300 s, or one not yet sent, is refused")
def _echo_answered_is_too_old(bench: Bench, controller: Controller) -> None:
    bench.wait(max(0.0, LONGEST_LEASE_S + 10.0 - bench.echoes()[-1].uptime_s))
    bench.wait(ECHO_EVERY_S)
    controller.lease()
    uptime_s = bench.echoes()[-1].uptime_s
    refused(bench, controller, "310 s under way", echo_uptime_s=uptime_s - 310.0)
    refused(bench, controller, "from the future", echo_uptime_s=uptime_s + 600.0)
    controller.lease(bench.heaters, echo_uptime_s=uptime_s)
    bench.wait(bench.slack_s)
    all_rest(bench, "after a lease that answers its latest echo")


@case("a lease for its present boot, retained, means nothing when it connects again", Can.CUT)
def _retained_lease_on_reconnecting(bench: Bench, controller: Controller) -> None:
    boot = bench.echoes()[-1].boot
    bench.cut()
    lease = {"session": controller.session, "boot": boot, "seq": 1000, "ttl_s": 300.0, "off": bench.heaters}
    bench.pour(json_of(lease), retained=True)
    bench.mend()
    bench.wait(1.0 + bench.slack_s)
    seq = bench.echoes()[-1].seq
    all_heat(bench, "with a lease for its present boot retained")
    bench.send(b"", retained=True)
    require(seq < 1000, "it echoes the number of a lease that was only retained")


@case("a lease for another board is none for this one")
def _lease_of_another_board(bench: Bench, controller: Controller) -> None:
    refused(bench, controller, "for another board", board="another-board")


# ---- what is no lease --------------------------------------------------------------------------------


@case("payloads that are no lease change nothing and are survived")
def _garbage(bench: Bench, controller: Controller) -> None:
    for payload in (
        b"",
        b"OFF",
        b"\xff\xfe\x00",
        b"null",
        b"[]",
        b"{}",
        b"[" * 2000,
        b'{"off":["1"]}',
        b"NaN",
    ):
        bench.send(payload)
        all_heat(bench, f"after the payload {payload[:20]!r}")
    controller.lease(bench.heaters)
    bench.wait(bench.slack_s)
    all_rest(bench, "after a sound lease that follows garbage")


@case("a lease with a part missing, of another type or unknown is none")
def _parts_are_wrong(bench: Bench, controller: Controller) -> None:
    wrong: tuple[dict[str, Any], ...] = (
        *({name: None} for name in ("session", "boot", "ttl_s")),
        {"boot": ""},
        {"ttl_s": "60"},
        {"ttl_s": True},
        {"off": "1"},
        {"off": [1]},
        {"version": 2},
        {"session": "x" * 65},
    )
    for fields in wrong:
        refused(bench, controller, f"with {fields}", **fields)


@case("a lease with a number that is none is none")
def _numbers_are_none(bench: Bench, controller: Controller) -> None:
    for ttl_s in (float("nan"), float("inf")):
        refused(bench, controller, f"of {ttl_s} s", ttl_s=ttl_s)


@case("a message of more than 4 kB is no lease")
def _message_is_too_large(bench: Bench, controller: Controller) -> None:
    refused(bench, controller, "of 5 kB", off=[*bench.heaters, "x" * (LARGEST_PAYLOAD_BYTES + 1000)])


@case("channels it does not have, and heaters named as vents, are passed over")
def _unknown_channels(bench: Bench, controller: Controller) -> None:
    controller.lease([bench.heaters[0], "no-such-channel"], vent=bench.heaters[1:])
    bench.wait(bench.slack_s)
    require(bench.on() == frozenset(bench.heaters[1:]), f"leased off: {bench.heaters[0]}; {said(bench)}")


@case("a flood of garbage neither rests a heater nor keeps a sound lease away")
def _flood(bench: Bench, controller: Controller) -> None:
    for number in range(300):
        bench.pour(b"x" * (number % 50))
    all_heat(bench, "after a flood")
    controller.lease(bench.heaters)
    bench.wait(bench.slack_s)
    all_rest(bench, "after a sound lease that follows a flood")
