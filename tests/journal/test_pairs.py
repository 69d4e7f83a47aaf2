from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from controller.errors import JournalError
from controller.journal.pairs import pairs_in
from controller.journal.writer import Journal
from controller.site.load import example_site, load_site
from controller.weather.fallback import fallback_forecast
from controller.weather.pairs import PairsError

NOW = datetime(2027, 1, 14, 17, 20, tzinfo=UTC)
SITE = load_site(example_site("curlew-yard"))


def kept(tmp_path, *, forecasts=True, readings=True):
    journal = Journal(tmp_path / "journal.db")
    journal.start()
    for minutes in range(0, 600, 5) if readings else ():
        journal.put_reading("outside", NOW + timedelta(minutes=minutes), 1.0 + minutes / 100.0)
    for hours in (0, 1, 4) if forecasts else ():
        at = NOW + timedelta(hours=hours)
        journal.put_forecast(fallback_forecast([at.timestamp()], [2.0], SITE.place, at))
    journal.stop()
    return tmp_path / "journal.db"


def test_forecasts_meet_the_readings_of_their_hours(tmp_path):
    pairs = pairs_in(kept(tmp_path), SITE)
    # of the runs at 17:20, 18:20 and 21:20 the second is too near the first
    assert sorted(set(np.unique(pairs.issued_s) - NOW.timestamp())) == [-1200.0, 3 * 3600.0 + 2400.0]
    seven = datetime(2027, 1, 14, 19, tzinfo=UTC).timestamp()
    here = (pairs.at_s == seven) & (pairs.lead_h == 2.0)
    assert here.sum() == 1
    assert pairs.observed_c[here][0] == pytest.approx(2.0)  # 100 minutes after 17:20
    assert np.isnan(pairs.observed_c[pairs.at_s > (NOW + timedelta(hours=11)).timestamp()]).all()
    assert np.isfinite(pairs.spread_k).all()
    assert np.isnan(pairs.cloud_frac).all()


def test_what_is_missing_is_said(tmp_path):
    with pytest.raises(JournalError):
        pairs_in(tmp_path / "none.db", SITE)
    (tmp_path / "a").mkdir()
    with pytest.raises(PairsError, match="no forecast"):
        pairs_in(kept(tmp_path / "a", forecasts=False), SITE)
    (tmp_path / "b").mkdir()
    with pytest.raises(PairsError, match="no reading"):
        pairs_in(kept(tmp_path / "b", readings=False), SITE)
