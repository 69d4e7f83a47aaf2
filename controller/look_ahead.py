"""The jobs of the daemon that look ahead, and may be late: forecast, plan, advice, learning and diagnosis.

They run on APScheduler's threads, read the keeper's last state, and leave what they made in the inbox of the
control loop.  Each may fail: the guard then works without what it would have made, and people are told.
"""

import threading
from collections.abc import Callable
from datetime import datetime
from pathlib import Path

import structlog

from controller.clock import Clock, now_on
from controller.errors import ForecastError, JournalError, LogbookError, ModelError
from controller.foresight import Foresight
from controller.guard.events import Found, HouseKnown, OutlookMade, PlanMade
from controller.guard.finding import Finding, FindingCode
from controller.guard.state import State
from controller.inbox import Inbox
from controller.journal.writer import Journal
from controller.keeper import outside_temp_c
from controller.learn.findings import WINDOW_S, findings_of
from controller.learn.from_journal import record_of_journal
from controller.learn.models import Model, Models
from controller.learn.nightly import run_fit
from controller.physics import FloatArray
from controller.plan.advice import Advice, Doubts, Task, advise
from controller.plan.certainty import model_spread_k
from controller.plan.outlook import outlook_of
from controller.plan.plan import Plan, plan_of
from controller.site.model import Site
from controller.thermal.inputs import inputs_of
from controller.weather.forecast import Forecast

NO_PLAN = "the forecast is too short or holds no sound numbers: the guard works without a plan"

log = structlog.stdlib.get_logger()


class LookAhead:
    """What looks ahead for one site.

    Parameters
    ----------
    site
        Whose nights to look at.
    folder
        Where journal, models and the last good forecast live.
    clock
        The machine's clock, or a paced one in rehearsals.
    journal
        Where fresh forecasts are kept, and what learning and diagnosis read.
    inbox
        Where the control loop finds what was made.
    state
        Says what the keeper knows now.
    stopping
        Set when the daemon ends: a fit that runs then is given up.

    Attributes
    ----------
    advice
        What hands should do now.
    forecast_trouble, plan_trouble, model_trouble
        Why the last forecast, plan or model is missing or not the wanted one; empty where all is well.
    """

    def __init__(
        self,
        site: Site,
        folder: Path,
        clock: Clock,
        journal: Journal,
        inbox: Inbox,
        *,
        state: Callable[[], State],
        stopping: threading.Event,
    ) -> None:
        self.site, self.folder, self.clock = site, folder, clock
        self.journal, self.inbox, self.stopping = journal, inbox, stopping
        self._state = state
        self.foresight = Foresight(site, folder)
        self.models = Models(folder)
        self.advice: tuple[Advice, ...] = ()
        self.forecast_trouble = self.plan_trouble = self.model_trouble = ""
        self._expectation: Forecast | None = None
        self._certainty: tuple[str, FloatArray] | None = None

    def pull_forecast(self) -> None:
        """Fetch a forecast and leave an outlook for the control loop; a job, so it may fail."""
        now, state = now_on(self.clock), self._state()
        if not now.clock_trusted:
            self._without_clock()
            return
        try:
            outside_c = outside_temp_c(state, now)
            self.foresight.learn(now.utc, outside_c)
            forecast, fresh = self.foresight.expected(now.utc, outside_c)
            if fresh is not None:
                self.journal.put_forecast(fresh)
            model = self._model()
            outlook = outlook_of(self.site, forecast, state.latest_c, now.utc, parameters=model.parameters)
            self.inbox.put("outlook", OutlookMade(outlook=outlook))
            weather = inputs_of(forecast, self.site, model.parameters, now.utc)
            known = HouseKnown(parameters=model.parameters, noise=model.noise, weather=weather)
            self.inbox.put("house-known", known)
            self._expectation = forecast
            self._plan_with(model, forecast)
            self.forecast_trouble = self.foresight.trouble
            log.info(
                "outlook",
                says=outlook.sentence if outlook else "",
                fresh=fresh is not None,
                model=model.name,
                trouble=self.forecast_trouble,
            )
        except ForecastError as error:
            self.forecast_trouble = str(error)
            log.warning("forecast_failed", trouble=str(error))

    def _without_clock(self) -> None:
        """Take outlook and plan away: without a sound clock nobody knows which hour of a forecast is now."""
        self._expectation = None
        self.inbox.put("outlook", OutlookMade(outlook=None))
        self.inbox.put("plan", PlanMade(plan=None))
        self.forecast_trouble = "the clock is not sound, so no forecast can be looked up"

    def make_plan(self) -> None:
        """Leave a plan for the control loop; a job.  If it fails, the guard goes on alone."""
        if (expected := self._expectation) is not None:
            self._plan_with(self._model(), expected)

    def _plan_with(self, model: Model, expected: Forecast) -> None:
        plan = None
        try:
            now = self.clock.utc()
            certainty_k = self._certainty_k(model, now)
            plan = plan_of(self.site, expected, self._state().latest_c, now, model.parameters, certainty_k)
            self.plan_trouble = "" if plan is not None else NO_PLAN
        except Exception as error:  # (the edge of a job: a plan is worth no crash)
            self.plan_trouble = f"planning failed ({error}): the guard works without a plan"
            log.exception("plan_failed")
        if plan is not None and plan.is_short:
            log.info("plan", says=plan.sentence)
        self.inbox.put("plan", PlanMade(plan=plan))
        self._make_advice(expected, plan)

    def _certainty_k(self, model: Model, now: datetime) -> FloatArray:
        """Return how uncertain the model is by how far ahead, worked out once for each model."""
        if self._certainty is None or self._certainty[0] != model.name:
            spread_k = model_spread_k(self.site, model.parameters, model.noise, model.doubt, now)
            self._certainty = (model.name, spread_k)
        return self._certainty[1]

    def _make_advice(self, expected: Forecast, plan: Plan | None) -> None:
        """Work out what hands should do; nothing switches by it, so if it fails, it is only not told."""
        try:
            state = self._state()
            self.advice = advise(
                self.site, expected, plan, state.latest_c, self.clock.utc(), doubts=_doubts(state)
            )
        except Exception:  # (the edge of a job: advice is worth no crash)
            self.advice = ()
            log.exception("advice_failed")

    def fit_model(self) -> None:
        """Let a challenger learn from the journal in a child process; a scheduler's job, so it may fail."""
        try:
            log.info("fit", says=run_fit(self.site, self.folder, self.stopping))
        except (ModelError, OSError) as error:
            log.warning("fit_failed", trouble=str(error))

    def diagnose(self) -> None:
        """Leave what the last days' readings speak for; a scheduler's job, so it may fail."""
        found: tuple[Finding, ...] = ()
        try:
            if (model := self._model()).is_learnt:
                logbook = record_of_journal(self.journal.path, self.site, WINDOW_S)
                found = findings_of(logbook.record, model.parameters, model.noise, self.site)
        except (JournalError, LogbookError) as error:
            log.info("nothing_diagnosed", because=str(error))
        except Exception:  # (the edge of a job: a diagnosis is worth no crash)
            log.exception("diagnosis_failed")
        for one in found:
            log.warning("found", code=str(one.code), target=one.target, because=one.because)
        self.inbox.put("found-by-model", Found(source="model", findings=found))

    def _model(self) -> Model:
        """Return the model in use, and note why where it is not the one last accepted."""
        model = self.models.in_use(self.site)
        self.model_trouble = model.remark
        return model

    def stray(self) -> str:
        """Return the tree that is not where the plan saw it now, or an empty text."""
        state = self._state()
        if state.plan is None:
            return ""
        probes = {tree.name: tree.probes[0] for tree in self.site.trees}
        age_s = self.clock.mono_s() - state.plan_came_s
        return state.plan.strays(state.latest_c, probes, age_s) or ""


# What readings that speak against something ask of hands.
_LOOKS = {
    FindingCode.FLEECE_OFF: Task.COVER,
    FindingCode.FLEECE_WET: Task.DRY,
    FindingCode.STRING_DEAD: Task.CHECK,
    FindingCode.STRING_HALF_DEAD: Task.CHECK,
}


def _doubts(state: State) -> Doubts:
    """Return what readings speak against, for advice: a word that a tree is covered does not silence it."""
    return {
        (_LOOKS[finding.code], finding.target): finding.because
        for findings in state.findings.values()
        for finding in findings
        if finding.code in _LOOKS
    }
