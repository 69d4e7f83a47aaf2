"""Cases of the bus contract: how a board starts, what it tells, how it switches, and the network."""

from controller.board.conform import (
    ECHO_EVERY_S,
    LONGEST_STAGGER_S,
    Bench,
    Can,
    Controller,
    all_heat,
    all_rest,
    case,
    require,
    said,
)
from controller.bus.board import MINIMUM_ON_S
from controller.bus.messages import LONGEST_LEASE_S

# ---- starting ----------------------------------------------------------------------------------------


@case("after a start every heater is on, before any lease", Can.RESTART)
def _start_heats(bench: Bench, controller: Controller) -> None:
    controller.lease(bench.heaters)
    bench.restart()
    all_heat(bench, "after a start")
    bench.wait(LONGEST_STAGGER_S)
    all_heat(bench, "a minute after a start")
    require(frozenset(bench.echoes()[-1].on) == frozenset(bench.heaters), "its echo must say so too")


@case("each start takes a new boot name and says why it started", Can.RESTART)
def _start_has_a_new_name(bench: Bench, _: Controller) -> None:
    before = bench.echoes()[-1].boot
    bench.restart()
    echo = bench.echoes()[-1]
    require(echo.boot != before, f"it is still called {before}")
    require(echo.reset_reason != "", "its echo says no reset_reason")
    require(echo.uptime_s < LONGEST_LEASE_S, f"just started, it says it has run for {echo.uptime_s:g} s")


@case("it announces each start, and the broker announces its loss", Can.RESTART)
def _start_is_announced(bench: Bench, _: Controller) -> None:
    old = bench.echoes()[-1].boot
    bench.restart()
    new = bench.echoes()[-1].boot
    births = [alive.session for alive in bench.alives() if alive.alive]
    losses = [alive.session for alive in bench.alives() if not alive.alive]
    require(new in births, f"no birth of {new} was heard on its alive topic")
    require(old in losses, f"no will of {old} was heard on its alive topic")


@case("a lease made before it started means nothing after", Can.RESTART)
def _lease_of_an_earlier_boot(bench: Bench, controller: Controller) -> None:
    old = bench.echoes()[-1].boot
    bench.restart()
    bench.wait(MINIMUM_ON_S)
    controller.lease(bench.heaters, boot=old, seq=1000)
    all_heat(bench, "after a lease for its earlier boot")


@case("a lease retained by the broker means nothing to a board that starts", Can.RESTART)
def _retained_lease_at_the_start(bench: Bench, controller: Controller) -> None:
    controller.lease(bench.heaters, retained=True, seq=1000)
    bench.restart()
    bench.wait(MINIMUM_ON_S + bench.slack_s)
    bench.send(b"", retained=True)
    all_heat(bench, "with a lease retained at its start")


# ---- what it tells -----------------------------------------------------------------------------------


@case("it sends its echo every 30 s")
def _echo_is_regular(bench: Bench, _: Controller) -> None:
    before = len(bench.echoes())
    bench.wait(4 * ECHO_EVERY_S + bench.slack_s)
    count = len(bench.echoes()) - before
    require(4 <= count <= 6, f"in two minutes it sent {count} echoes")


@case("it answers each lease it obeys with an echo of that session and number")
def _echo_answers(bench: Bench, controller: Controller) -> None:
    for _ in range(3):
        controller.lease()
        echo = bench.echoes()[-1]
        require(
            (echo.session, echo.seq) == (controller.session, controller.seq),
            f"given number {controller.seq}, it echoes {echo.session} {echo.seq}",
        )


@case("it sends its echo at once when an output changes")
def _echo_on_change(bench: Bench, controller: Controller) -> None:
    controller.lease(bench.heaters, ttl_s=40.0)
    bench.wait(40.0 - bench.slack_s - 1.0)
    require(not bench.echoes()[-1].on, "its echo must say that every heater is off")
    bench.wait(2.0 + 3 * bench.slack_s)
    require(bool(bench.echoes()[-1].on), "its lease ran out and no echo told of the heat")


@case("its echo says what its outputs do", Can.SEE)
def _echo_is_true(bench: Bench, controller: Controller) -> None:
    for off in (bench.heaters, bench.heaters[:1], ()):
        controller.lease(off)
        bench.wait(bench.slack_s + LONGEST_STAGGER_S)
        echoed = frozenset(bench.echoes()[-1].on)
        require(echoed == bench.on(), f"it echoes {sorted(echoed)}, but {said(bench)}")


@case("its uptime runs with time and does not jump")
def _uptime_runs(bench: Bench, controller: Controller) -> None:
    controller.lease()
    before_s = bench.echoes()[-1].uptime_s
    bench.wait(100.0)
    controller.lease()
    passed_s = bench.echoes()[-1].uptime_s - before_s
    require(abs(passed_s - 100.0) <= 1.0 + bench.slack_s, f"in 100 s its uptime rose by {passed_s:g} s")


@case("nothing it says is kept by the broker")
def _nothing_is_retained(bench: Bench, controller: Controller) -> None:
    controller.lease()
    kept = bench.kept()
    require(not kept, f"the broker keeps {', '.join(kept)}: old words look like new ones after a restart")


# ---- switching ---------------------------------------------------------------------------------------


@case("a heater that came on stays on for two minutes")
def _least_time_on(bench: Bench, controller: Controller) -> None:
    controller.lease(bench.heaters)
    bench.wait(bench.slack_s)
    controller.lease()
    bench.wait(LONGEST_STAGGER_S)
    controller.lease(bench.heaters)
    bench.wait(MINIMUM_ON_S - LONGEST_STAGGER_S - 2 * bench.slack_s - 1.0)
    all_heat(bench, "within two minutes of coming on")
    bench.wait(LONGEST_STAGGER_S + 2 * bench.slack_s + 1.0)
    all_rest(bench, "more than two minutes after coming on")


@case("heat taken out of a lease comes on at once; of several, the last after a minute at most")
def _on_never_waits(bench: Bench, controller: Controller) -> None:
    controller.lease(bench.heaters)
    bench.wait(bench.slack_s)
    controller.lease()
    bench.wait(bench.slack_s)
    require(bool(bench.on()), "told to heat, it has no heater on")
    bench.wait(LONGEST_STAGGER_S)
    all_heat(bench, "a minute after it was told to heat")


@case("going off never waits for the other heaters")
def _off_is_together(bench: Bench, controller: Controller) -> None:
    controller.lease(bench.heaters)
    bench.wait(1.0 + bench.slack_s)
    all_rest(bench, "a second after the lease")


@case("a vent leaves its rest by a lease only, and returns when that ends")
def _vent_moves_by_lease(bench: Bench, controller: Controller) -> None:
    controller.lease(bench.heaters, vent=bench.vents, ttl_s=60.0)
    bench.wait(bench.slack_s)
    require(bench.on() == frozenset(bench.vents), f"every heater off and every vent moved; {said(bench)}")
    bench.wait(60.0 + LONGEST_STAGGER_S)
    all_heat(bench, "after the lease that moved its vents")


@case("a vent stays at rest while a heater of the board heats")
def _vent_waits_for_heat_to_end(bench: Bench, controller: Controller) -> None:
    controller.lease(bench.heaters[1:], vent=bench.vents)
    bench.wait(bench.slack_s)
    require(
        bench.on() == frozenset(bench.heaters[:1]), f"one heater heats, so no vent may move; {said(bench)}"
    )


# ---- the network -------------------------------------------------------------------------------------


@case("cut off from the broker, it goes by its lease to the end and heats from then on", Can.CUT)
def _network_is_gone(bench: Bench, controller: Controller) -> None:
    controller.lease(bench.heaters, ttl_s=60.0)
    bench.wait(1.0)
    bench.cut()
    bench.wait(57.0 - bench.slack_s)
    if Can.SEE in bench.can:
        all_rest(bench, "cut off, with two seconds left of its lease")
    bench.wait(2.0 + bench.slack_s + LONGEST_STAGGER_S)
    bench.mend()
    all_heat(bench, "cut off for longer than its lease")
    bench.wait(MINIMUM_ON_S)
    controller.lease(bench.heaters)
    bench.wait(bench.slack_s)
    all_rest(bench, "after a lease when it is connected again")


@case("connected again it is born again under the same name and sends its echo", Can.CUT)
def _network_is_back(bench: Bench, _: Controller) -> None:
    boot, births, echoes = bench.echoes()[-1].boot, len(bench.alives()), len(bench.echoes())
    bench.cut()
    bench.mend()
    require(bench.echoes()[-1].boot == boot, "it took a new name without having started")
    require(len(bench.echoes()) > echoes, "it sent no echo")
    news = [alive.alive for alive in bench.alives()[births:]]
    require(news == [False, True], f"its loss and then its birth must be announced, not {news}")


@case("a short loss of the network costs nothing: its lease still stands", Can.CUT)
def _network_blinks(bench: Bench, controller: Controller) -> None:
    controller.lease(bench.heaters)
    given_s = bench.echoes()[-1].uptime_s
    bench.wait(1.0 + bench.slack_s)
    bench.cut()
    bench.mend()
    if bench.echoes()[-1].uptime_s - given_s < LONGEST_LEASE_S - bench.slack_s:  # hands can be slow
        all_rest(bench, "after a short loss of the network")
