"""What a forecast service can do wrong, over real sockets, through to the trees.

In each test a good forecast comes first, then the fault.  Whatever the service says, a tree whose probe is
cold is heated at the next tick, and the grower is told what is wrong in words.
"""

import gzip
import json
import math
import re
import socket
import threading
import time
from dataclasses import dataclass
from datetime import timedelta
from urllib.parse import urlsplit

import numpy as np
import pytest

from controller.errors import ForecastError
from controller.guard.decision import Reason
from controller.guard.events import OutlookMade, PlanMade
from controller.plan.outlook import outlook_of
from controller.plan.plan import plan_of
from controller.site.model import PUBLIC_HOSTS, ForecastService
from controller.thermal.parameters import parameters_of
from controller.weather import open_meteo
from controller.weather.fetch import fetch
from controller.weather.service import Forecasts
from tests.conftest import Drive
from tests.weather.conftest import DAY_S, NOW, open_meteo_document
from tests.weather.test_fetch import _drip_body, _drip_headers, says, serve  # noqa: F401 (serve is a fixture)

LATER = NOW + timedelta(minutes=40)  # a whole hour
COLD_C = -1.0


def answer(document=None, **changes):
    """Return a server's talk that sends a document."""
    body = json.dumps(open_meteo_document() if document is None else document).encode()
    return says(body, **changes)


def spoilt(change):
    """Return a talk that sends the good document after a change."""
    document = open_meteo_document()
    change(document)
    return answer(document)


def hourly(name, change):
    """Return a talk whose column of that name is changed."""
    return spoilt(lambda document: document["hourly"].update({name: change(document["hourly"][name])}))


@dataclass
class Service:
    """A forecast service whose behaviour the test changes, and the site that asks it."""

    server: object
    forecasts: Forecasts
    drive: Drive

    def behave(self, talk):
        self.server.talk = talk

    def trees_are_heated(self, outlook=None, plan=None):
        """Let every tree's probe be cold and tell whether all are heated at the next tick."""
        self.drive.step()
        if outlook is not None:
            self.drive.tell(OutlookMade(outlook=outlook))
        self.drive.tell(PlanMade(plan=plan))
        for tree in self.drive.site.trees:
            for probe in tree.probes:
                self.drive.temps_c[probe] = COLD_C
        self.drive.step()
        decisions = [self.drive.tree(tree.name) for tree in self.drive.site.trees]
        return all(d.active and d.reason is Reason.COLD for d in decisions)


@pytest.fixture
def service(serve, curlew_yard, tmp_path, monkeypatch):  # noqa: F811 (the fixture)
    # real deadlines are half a minute; a test need not wait that long to see that there is one
    monkeypatch.setattr(open_meteo, "fetch", lambda *args, **more: fetch(*args, deadline_s=1.0, **more))
    server = serve(answer())
    settings = curlew_yard.forecast.model_copy(
        update={"services": (ForecastService(kind="open-meteo", base_url=server.url.rsplit("/v1", 1)[0]),)}
    )
    site = curlew_yard.model_copy(update={"forecast": settings})
    found = Service(server, Forecasts(site, tmp_path), Drive(site))
    _, fresh = found.forecasts.latest(NOW)
    assert fresh
    return found


def case(fault, talk, words, *, named=None):
    return pytest.param(talk, words, id=named or fault, marks=pytest.mark.fault(fault))


def _hang_up(connection, _):
    connection.close()


def _pour(connection, over):
    connection.sendall(b"HTTP/1.1 200 OK\r\nContent-Type: application/json\r\n\r\n")
    for _ in range(1600):  # 100 MB
        if over.is_set():
            return
        connection.sendall(b" " * 65536)


def _half(connection, _):
    body = json.dumps(open_meteo_document()).encode()
    head = f"HTTP/1.1 200 OK\r\nContent-Type: application/json\r\nContent-Length: {len(body)}\r\n\r\n"
    connection.sendall(head.encode() + body[: len(body) // 2])


def _rename(document):
    document["hourly"]["temperature_two_metres"] = document["hourly"].pop("temperature_2m")


def _nests(connection, _):
    connection.sendall(b"HTTP/1.1 200 OK\r\nContent-Type: application/json\r\n\r\n" + b"[" * 200_000)


_HOURS_AGO_4_DAYS = [int(DAY_S) - 4 * 86400 + 3600 * i for i in range(96)]

REFUSED = [
    case("F03", _hang_up, "no connection|broke off"),
    case("F04", says(b"<html>Please sign in</html>", kind="text/html"), "expected JSON, got 'text/html'"),
    case("F05", answer(status="500 Internal Server Error"), "in trouble", named="F05-500"),
    case("F05", answer(status="503 Service Unavailable"), "503|trouble|busy", named="F05-503"),
    case("F06", answer(status="429 Slow", more="Retry-After: 99999999\r\n"), "too often"),
    case("F07", _drip_body, "did not come in time"),
    case("F08", _drip_headers, "did not come in time|no answer in time"),
    case("F09", _half, "broke off"),
    case("F10", says(gzip.compress(b" " * 200_000_000, 1), more="Content-Encoding: gzip\r\n"), "at most"),
    case("F11", _pour, "at most"),
    case("F13", hourly("temperature_2m", lambda column: [None] * len(column)), "at least 18 hours .*, got 0"),
    case("F14", hourly("temperature_2m", lambda column: [c + 273.15 for c in column]), "-60 to 60"),
    case(
        "F14",
        spoilt(lambda document: document["hourly_units"].update(temperature_2m="°F")),
        "°C",
        named="F14-said",
    ),
    case("F15", hourly("time", lambda _: _HOURS_AGO_4_DAYS), r"a beginning \+114 h old"),
    case("F17", spoilt(lambda document: document.update(utc_offset_seconds=3600)), "utc_offset_seconds"),
    case("F18", spoilt(lambda document: document.update(latitude=-6.4, longitude=52.2)), "km away"),
    case("F20", hourly("time", lambda t: [*t[:5], t[4], *t[6:]]), "3600 s"),
    case("F21", hourly("temperature_2m", lambda column: column[:-7]), "96 values"),
    case("F25", hourly("dew_point_2m", lambda c: [math.nan] * len(c)), "NaN is not JSON"),
    case("F26", says(b"", status="302 Found", more="Location: http://127.0.0.1:9/\r\n"), "not followed"),
    case("F27", spoilt(_rename), "temperature_2m: expected an array, got None"),
    case("F28", _nests, "nested too deeply|Expecting value"),
    case("F29", says(b"no", status="403 Forbidden"), "key_file and contact"),
]  # fmt: skip


@pytest.mark.parametrize(("talk", "words"), REFUSED)
def test_a_bad_answer_is_refused_by_name_the_last_good_one_stands_and_cold_trees_are_heated(
    service, talk, words, met
):
    service.behave(talk)
    asked, begun_s = len(service.server.requests), time.monotonic()
    forecast, fresh = service.forecasts.latest(LATER)
    told_s = time.monotonic() - begun_s
    assert told_s < 20.0  # without a bound these take minutes, or for ever
    assert len(service.server.requests) - asked <= 1  # never a tight retry
    assert not fresh
    assert forecast.fetched_at == NOW
    assert re.search(words, service.forecasts.trouble), service.forecasts.trouble
    assert service.forecasts.trouble.startswith("no new forecast, the one of Open-Meteo 40 min ago still")
    frost_s = service.drive.mono_s
    assert service.trees_are_heated(outlook_of(service.drive.site, forecast, service.drive.temps_c, LATER))
    met(reaction=service.drive.mono_s - frost_s, alarm=told_s)


@pytest.mark.fault("F01")
def test_a_host_that_has_no_name_is_said(serve, curlew_yard, tmp_path):  # noqa: F811 (the fixture)
    named = ForecastService(kind="open-meteo", base_url="http://forecast.invalid")  # RFC 2606: never resolves
    site = curlew_yard.model_copy(
        update={"forecast": curlew_yard.forecast.model_copy(update={"services": (named,)})}
    )
    forecasts = Forecasts(site, tmp_path)
    with pytest.raises(ForecastError, match=r"forecast\.invalid.*(no connection|no such)"):
        forecasts.latest(NOW)
    assert Service(None, forecasts, Drive(site)).trees_are_heated()


@pytest.mark.fault("F02")
def test_a_name_lookup_that_hangs_is_left_behind(service, monkeypatch):
    over = threading.Event()
    look_up = socket.getaddrinfo

    def hang(host, port, *more, **named):
        if port == asked.port:
            over.wait(20)
        return look_up(host, port, *more, **named)

    asked = urlsplit(service.server.url)
    monkeypatch.setattr(socket, "getaddrinfo", hang)
    begun_s = time.monotonic()
    _, fresh = service.forecasts.latest(LATER)
    over.set()
    assert not fresh
    assert time.monotonic() - begun_s < 10.0
    assert "no answer in time" in service.forecasts.trouble or "did not come" in service.forecasts.trouble
    assert service.trees_are_heated()


@pytest.mark.parametrize(
    "missing",
    [
        pytest.param(range(26, 28), id="F12", marks=pytest.mark.fault("F12")),
        pytest.param((21, 27, 33), id="F19", marks=pytest.mark.fault("F19")),
    ],
)
def test_hours_without_a_value_take_the_colder_of_their_neighbours(service, missing):
    service.behave(hourly("temperature_2m", lambda c: [None if i in missing else v for i, v in enumerate(c)]))
    forecast, fresh = service.forecasts.latest(LATER)
    assert fresh
    outlook = outlook_of(service.drive.site, forecast, service.drive.temps_c, LATER)
    begins_h = (outlook.hours.starts_at.timestamp() - DAY_S) / 3600.0
    expected_c = np.interp(
        np.array(missing) - begins_h, range(len(outlook.hours.outside_c)), outlook.hours.outside_c
    )
    given_c = open_meteo_document()["hourly"]["temperature_2m"]
    for hour, hour_c in zip(missing, expected_c, strict=True):
        before = max(i for i in range(hour) if i not in missing)
        after = min(i for i in range(hour, 96) if i not in missing)
        assert hour_c == pytest.approx(
            min(given_c[before], given_c[after]), abs=0.15
        )  # to the height of the site
    assert service.trees_are_heated(outlook)


def _impossible(document):
    document["hourly"]["dew_point_2m"] = [20.0] * 96  # far above the air
    document["hourly"]["wind_speed_10m"] = [-3.0] * 96
    document["hourly"]["cloud_cover"] = [140] * 96


@pytest.mark.fault("F31")
def test_what_cannot_be_is_taken_out_and_the_temperature_kept(service):
    service.behave(spoilt(_impossible))
    forecast, fresh = service.forecasts.latest(LATER)
    assert fresh
    assert forecast.outside_temp_c.min() == pytest.approx(-2.0, abs=0.7)
    for taken_out in (forecast.dew_point_c, forecast.wind_m_s, forecast.cloud_frac):
        assert not np.isfinite(taken_out).any()
    assert service.trees_are_heated(outlook_of(service.drive.site, forecast, service.drive.temps_c, LATER))


@pytest.mark.fault("F16")
def test_numbers_that_stand_still_for_half_a_day_are_named_and_trusted_less(service):
    fresh_spread = service.forecasts.latest(NOW + timedelta(hours=1))[0].spread_k
    for hours in range(2, 15):
        forecast, _ = service.forecasts.latest(NOW + timedelta(hours=hours))
    assert "may have stalled" in service.forecasts.trouble
    before_k = 0.0 if fresh_spread is None else float(fresh_spread.min())
    assert float(forecast.spread_k.min()) > before_k
    assert service.trees_are_heated()


def _warmer(by_k):
    return hourly("temperature_2m", lambda column: [c + by_k for c in column])


@pytest.mark.parametrize(
    "talk",
    [
        pytest.param(_warmer(8.0), id="F22", marks=pytest.mark.fault("F22")),
        pytest.param(_warmer(-8.0), id="F23", marks=pytest.mark.fault("F23")),
        pytest.param(
            spoilt(lambda document: document["hourly"].update(cloud_cover=[100] * 96)),
            id="F24",
            marks=pytest.mark.fault("F24"),
        ),
        pytest.param(_warmer(30.0), id="F32", marks=pytest.mark.fault("F32")),
    ],
)
def test_a_forecast_however_wrong_or_forged_takes_no_heat_from_a_cold_tree_and_spoils_no_warm_one(
    service, talk
):
    service.behave(talk)
    forecast, fresh = service.forecasts.latest(LATER)
    assert fresh
    site, now_c = service.drive.site, service.drive.temps_c
    outlook = outlook_of(site, forecast, now_c, LATER)
    plan = plan_of(site, forecast, now_c, LATER, parameters_of(site))
    service.drive.step(400.0)
    service.drive.tell(OutlookMade(outlook=outlook))
    service.drive.tell(PlanMade(plan=plan))
    service.drive.step()
    # with every probe at 8 °C nothing that is foretold keeps heat on: a bust towards cold costs no fire
    assert not any(service.drive.tree(tree.name).active for tree in site.trees)
    assert service.trees_are_heated(outlook, plan)


@pytest.mark.fault("F32")
def test_the_hosts_that_are_asked_by_default_are_asked_by_tls():
    assert all(url.startswith("https://") for url in PUBLIC_HOSTS.values())


@pytest.mark.fault("F26")
def test_a_host_that_does_not_speak_tls_is_said(service):
    secure = service.server.url.replace("http://", "https://")
    with pytest.raises(ForecastError, match=r"TLS|certificate"):
        fetch(secure, deadline_s=2.0)


@pytest.mark.fault("F30")
def test_forecasts_that_swing_about_the_threshold_do_not_make_relays_chatter(service):
    site, switched = service.drive.site, 0
    warm, cold = (
        plan_of(site, _shifted(service, by_k), service.drive.temps_c, LATER, parameters_of(site))
        for by_k in (8.0, -14.0)
    )
    assert cold.is_short  # it asks for warmth ahead, and the next one takes that back
    service.drive.step(400.0)
    before = {tree.name: False for tree in site.trees}
    for swing in range(60):  # an hour in which a new forecast comes every minute
        service.drive.tell(PlanMade(plan=cold if swing % 2 else warm))
        service.drive.temps_c |= {probe: 0.8 for tree in site.trees for probe in tree.probes}
        for _ in range(6):
            service.drive.step()
            switched += sum(service.drive.tree(name).active != was for name, was in before.items())
            before = {name: service.drive.tree(name).active for name in before}
    assert 0 < switched <= 12 * len(site.trees)


def _shifted(service, by_k):
    service.behave(_warmer(by_k))
    hours = 2 if by_k > 0 else 3
    forecast, fresh = service.forecasts.latest(NOW + timedelta(hours=hours))
    assert fresh
    return forecast
