"""The boards' monthly proofs, remembered over restarts beside the journal."""

import json
import math
from collections.abc import Mapping
from dataclasses import asdict
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from controller.guard.events import GiveLease
from controller.guard.finding import Finding
from controller.guard.now import Now
from controller.guard.proof import Proof, Proving, cut_short, finding_of, is_due, judge, may_prove
from controller.guard.state import State
from controller.site.model import Site

FILE_NAME = "proofs.json"
SOURCE = "proof"


class Proofs:
    """Which board was proved when, and the one proof that is under way.

    Parameters
    ----------
    site
        Boards with a thermostat of their own are left out: silent, they rest in mild air.
    folder
        The state folder.
    """

    def __init__(self, site: Site, folder: Path) -> None:
        self._path = folder / FILE_NAME
        self._zone = ZoneInfo(site.place.time_zone)
        self._boards = {board.name for board in site.boards if not board.own_thermostat}
        self._proving: Proving | None = None
        self._made: dict[str, dict[str, Any]] = {
            name: made for name, made in _read(self._path).items() if name in self._boards
        }

    @property
    def findings(self) -> tuple[Finding, ...]:
        """What failed proofs mean for people."""
        return tuple(
            finding_of(Proof(board=name, passed=False, because=made["because"]))
            for name, made in self._made.items()
            if not made["passed"]
        )

    def pass_on(self, action: GiveLease, state: State, now: Now) -> GiveLease:
        """Return a lease as it is to be sent: cut short where its board is due and nothing can be lost."""
        board = action.lease.board
        if self._proving is not None:
            if self._proving.board == board:  # a newer lease says something else: nothing was proved
                self._proving = None
            return action
        made = self._made.get(board)
        ago_s = math.inf if made is None else now.utc.timestamp() - made["at_s"]
        if (
            board not in self._boards
            or not now.clock_trusted
            or not is_due(None if made is None else made["passed"], ago_s)
        ):
            return action
        rules = next(rules for rules in state.rules.boards if rules.name == board)
        trees = set(rules.trees.values())
        heat = [decision for name, decision in state.heat.items() if name in trees]
        outside_c = min(
            (state.latest_c.get(p, math.nan) for p in state.rules.outside_probes), default=math.nan
        )
        hour = now.utc.astimezone(self._zone).hour
        # only what truly rested can be seen to come on
        rested = bool(action.lease.off) and not set(action.lease.off) & set(state.boards[board].on)
        if not rested or action.lease.vent or not may_prove(heat, outside_c, hour):
            return action
        lease, self._proving = cut_short(action.lease, now.mono_s)
        return GiveLease(lease=lease, session=action.session)

    def look(self, state: State, now: Now) -> Proof | None:
        """Return what came of the proof under way, once that can be told."""
        if self._proving is None:
            return None
        memory = state.boards[self._proving.board]
        proof = judge(self._proving, memory.on, memory.heard_s, now.mono_s)
        if proof is not None:
            self._proving = None
            self._made[proof.board] = {**asdict(proof), "at_s": now.utc.timestamp()}
            self._write()
        return proof

    def _write(self) -> None:
        beside = self._path.with_suffix(".new")
        try:
            beside.write_text(json.dumps(self._made))
            beside.replace(self._path)
        except OSError:
            return  # it is made again after a restart; the disk's trouble is told by the journal


def _read(path: Path) -> Mapping[str, dict[str, Any]]:
    """Return what was kept; whatever is not sound counts as never proved."""
    try:
        made = json.loads(path.read_text())
        return {
            str(name): {
                "passed": one["passed"] is True,
                "because": str(one["because"]),
                "at_s": float(one["at_s"]),
            }
            for name, one in made.items()
        }
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return {}
