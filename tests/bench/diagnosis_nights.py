"""Nights on which something goes wrong, in houses held by a thermostat: what the diagnosis is to find.

Two truths: the simulator's plant, whose structure the model does not have, and the model's own with noise.
Both live in measured years of weather; what is written down of cloud and wind is as wrong as a forecast.
"""

import copy
import dataclasses
from datetime import UTC, datetime, timedelta

import numpy as np

from controller.physics import sky_temp_c
from controller.site.load import example_site, load_site
from controller.thermal.drive import Inputs
from controller.thermal.knobs import HOUSE_KNOBS, TREE_KNOBS
from controller.thermal.model import HOUSE, Stepper, sky_chill_k, state_count, trees
from controller.thermal.noise import Noise, intensity
from controller.thermal.parameters import parameters_of
from controller.thermal.predict import initial_state
from controller.thermal.record import Record
from controller.thermal.sunlight import sun_on_house_w_m2
from controller.thermal.suspicion import Fault
from simulator.materials import Variation
from simulator.probes import SimProbe
from simulator.weather_files import reference_year
from simulator.world import World

_WHOLE = load_site(example_site("curlew-yard"))
SITE = _WHOLE.model_copy(update={"trees": (_WHOLE.trees[0], _WHOLE.trees[2], _WHOLE.trees[3])})
TREES = len(SITE.trees)
PRIOR = parameters_of(SITE)
FAN_M3_S = SITE.vents[0].flow_m3_s
DT_S, STEP_S, DAY_S = 60.0, 300.0, 86400.0
# Cold regions and the coast, by turns.
REGIONS = (1, 4, 8, 10, 12, 14)


class Plant:
    """The simulator's house with a sky and probes of its own."""

    def __init__(self, seed, start):
        sky = reference_year(REGIONS[seed % len(REGIONS)]).sky(
            SITE.place, start - timedelta(days=8), start + timedelta(days=60)
        )
        self.world = World(SITE, sky, start, seed=seed, variation=Variation.drawn(seed))

    def __deepcopy__(self, memo):
        twin = copy.copy(self)
        twin.world = copy.copy(self.world)
        twin.world.plant = copy.deepcopy(self.world.plant, memo)
        twin.world.record = copy.deepcopy(self.world.record, memo)
        return twin

    def weather(self):
        world = self.world
        return world.sky.at_s(world._sky_s + world.elapsed_s)

    def step(self, string_w, vent_m3_s, bare, wet):
        plant = self.world.plant
        for tree in range(TREES):
            plant.cover(tree, on=tree != bare)
        if wet is not None:
            plant._moisture.stored_kg[1 + wet] = plant._moisture._holds_kg[1 + wet]
        plant.step(DT_S, self.weather(), string_w, vent_m3_s)
        self.world.elapsed_s += DT_S

    @property
    def true_c(self):
        return (self.world.plant.house_c, *self.world.plant.tree_air_c)


class Own:
    """A house that obeys the model, with its noise."""

    def __init__(self, seed, start):
        self.rng = np.random.default_rng([seed, 77])
        self.sky = reference_year(REGIONS[seed % len(REGIONS)]).sky(
            SITE.place, start - timedelta(days=1), start + timedelta(days=60)
        )
        self.elapsed_s, self._sky_s = 0.0, self.sky.seconds(start)
        turned = {
            name: getattr(PRIOR, name)
            * np.exp(0.5 * sd * self.rng.normal(size=np.shape(getattr(PRIOR, name))))
            for name, sd in (HOUSE_KNOBS | TREE_KNOBS).items()
        }
        self.parameters = dataclasses.replace(PRIOR, **turned)
        self.noise = Noise(house_k_per_root_h=0.3, tree_k_per_root_h=0.2, offset_k=0.5)
        self.stepper = Stepper(self.parameters, DT_S, intensity(self.noise, TREES))
        self.start_s = start.timestamp()
        self.state = initial_state(self.parameters, house_temp_c=4.0, deep_temp_c=8.0)

    def __deepcopy__(self, memo):
        twin = copy.copy(self)
        twin.rng = copy.deepcopy(self.rng, memo)
        return twin

    def weather(self):
        return self.sky.at_s(self._sky_s + self.elapsed_s)

    def step(self, string_w, vent_m3_s, bare, wet):
        weather = self.weather()
        fleece = np.array([tree != bare for tree in range(TREES)])
        sun = sun_on_house_w_m2(weather.shortwave_w_m2, self.start_s + self.elapsed_s, SITE)
        step, mode = self.stepper.modes(weather.wind_m_s, vent_m3_s, fleece, sun)
        depression = weather.outside_temp_c - sky_temp_c(
            weather.outside_temp_c, min(weather.dew_point_c, weather.outside_temp_c), weather.cloud_frac
        )
        power_w = np.array(string_w, dtype=float)
        if wet is not None:  # half of what a wet cloth evaporates at 85 % humidity
            power_w[wet] -= 2.6 * SITE.trees[wet].fleece_area_m2
        chill = float(sky_chill_k(depression, weather.wind_m_s))
        u = np.r_[weather.outside_temp_c, chill, float(sun), 9.0, 0.0, power_w]
        noise = np.sqrt(np.maximum(np.diag(step.Q[mode]), 0.0)) * self.rng.normal(size=state_count(TREES))
        self.state = step.Phi[mode] @ self.state + step.Gamma[mode] @ u + noise
        self.elapsed_s += DT_S

    @property
    def true_c(self):
        return (float(self.state[HOUSE]), *self.state[trees(TREES)].tolist())


@dataclasses.dataclass
class Wrong:
    """What goes wrong, and where."""

    fault: Fault | None = None
    tree: int = 0
    other: int = 1
    share: float = 1.0


class Night:
    """A house, its probes and its thermostat, and what is written down of them."""

    def __init__(self, truth, seed, start):
        self.truth, self.start = truth(seed, start), start
        self.probes = [SimProbe(name, seed) for name in ("outside", "house", *PRIOR.tree_names)]
        self.rng = np.random.default_rng([seed, 5])
        self.on = [False] * TREES
        self.lamp_k, self.drift_k = 0.0, 0.0
        self.cloud_error = self.wind_error = 0.0
        self.rows, self.said = [], [np.nan] * (2 + TREES)

    def day(self, wrong=None, hours=24.0, heated=None):
        """Live on; ``heated`` is an hour span in which all strings are on."""
        wrong = wrong or Wrong()
        for minute in range(int(hours * 60)):
            self._read(wrong)
            if minute % 5 == 0:
                self._begin_row()
            asked_w = self._thermostat(heated, minute / 60.0)
            given_w = self._given(asked_w, wrong)
            self.rows[-1][-1] += np.array(asked_w) / 5.0
            vent = FAN_M3_S * wrong.share if wrong.fault is Fault.VENT_OPEN else 0.0
            bare = wrong.tree if wrong.fault is Fault.FLEECE_OFF else None
            wet = wrong.tree if wrong.fault is Fault.FLEECE_WET else None
            self.truth.step(given_w, vent, bare, wet)
            lit = wrong.fault is Fault.PROBE_BY_LAMP and given_w[wrong.tree] > 0.0
            self.lamp_k += (3.0 * lit - self.lamp_k) * (1.0 - np.exp(-DT_S / 180.0))

    def _read(self, wrong):
        outside_c = self.truth.weather().outside_temp_c
        for probe, true_c in zip(self.probes, (outside_c, *self.truth.true_c), strict=True):
            probe.follow(true_c, DT_S)
        said = [probe.reading_c() for probe in self.probes]
        if wrong.fault is Fault.PROBE_BY_LAMP:
            said[2 + wrong.tree] += self.lamp_k
        if wrong.fault is Fault.PROBE_DRIFTED:
            self.drift_k += wrong.share * DT_S / DAY_S
            said[2 + wrong.tree] += self.drift_k
        if wrong.fault is Fault.PROBES_SWAPPED:
            one, other = 2 + wrong.tree, 2 + wrong.other
            said[one], said[other] = said[other], said[one]
        self.said = said

    def _begin_row(self):
        weather, keep = self.truth.weather(), np.exp(-STEP_S / (12 * 3600.0))
        spread = np.sqrt(1.0 - keep**2)
        self.cloud_error = keep * self.cloud_error + 0.2 * spread * self.rng.normal()
        self.wind_error = keep * self.wind_error + 0.25 * spread * self.rng.normal()
        cloud = float(np.clip(weather.cloud_frac + self.cloud_error, 0.0, 1.0))
        wind = weather.wind_m_s * float(np.exp(self.wind_error))
        row = [*self.said, weather.dew_point_c, cloud, wind, weather.shortwave_w_m2, np.zeros(TREES)]
        self.rows.append(row)

    def _thermostat(self, heated, hour):
        powers = []
        for tree, reading in enumerate(self.said[2:]):
            hold = PRIOR.hold_c[tree]
            if reading < hold + 0.3:
                self.on[tree] = True
            elif reading > hold + 0.6:
                self.on[tree] = False
            on = self.on[tree] or (heated is not None and heated[0] <= hour < heated[1])
            powers.append(PRIOR.string_w[tree] * on)
        return powers

    @staticmethod
    def _given(asked_w, wrong):
        given = list(asked_w)
        if wrong.fault is Fault.STRING_DEAD:
            given[wrong.tree] = 0.0
        if wrong.fault is Fault.STRING_HALF_DEAD:
            given[wrong.tree] *= 0.5
        if wrong.fault is Fault.HEATER_STUCK_ON:
            given[wrong.tree] = max(given[wrong.tree], wrong.share * PRIOR.string_w[wrong.tree])
        return given

    def record(self, last_s=None):
        """Return what was written down, or the last part of it."""
        rows = self.rows if last_s is None else self.rows[-int(last_s / STEP_S) :]
        table = np.array([row[:-1] for row in rows])
        begin = self.start + timedelta(seconds=STEP_S * (len(self.rows) - len(rows)))
        steps, start_s = len(rows), begin.timestamp()
        outside, dew = table[:, 0], np.minimum(table[:, 2 + TREES], table[:, 0])
        return Record(
            inputs=Inputs(
                start_s=start_s,
                outside_temp_c=outside,
                sky_depression_k=outside - sky_temp_c(outside, dew, table[:, 3 + TREES]),
                wind_m_s=table[:, 4 + TREES],
                sun_w_m2=sun_on_house_w_m2(
                    table[:, 5 + TREES], start_s + STEP_S * (np.arange(steps) + 0.5), SITE
                ),
                deep_temp_c=np.full(steps, 9.0),
                vent_m3_s=np.zeros(steps),
                house_heat_w=np.zeros(steps),
                fleece_on=np.ones((steps, TREES), dtype=bool),
                string_w=np.array([row[-1] for row in rows]),
            ),
            house_temp_c=table[:, 1],
            tree_temp_c=table[:, 2 : 2 + TREES],
        )


def well(truth, seed, days):
    """Yield a house that is well at noon of day 14, one evening's heater step behind it, and daily after."""
    start = datetime(2026, 12, 1, 12, tzinfo=UTC) + timedelta(days=7 * (seed % 5))
    night = Night(truth, seed, start)
    for day in range(14):
        night.day(heated=(6.0, 12.0) if day == 6 else None)
    yield night
    for _ in range(days):
        night.day()
        yield night
