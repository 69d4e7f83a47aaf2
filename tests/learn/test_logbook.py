"""Reading a logbook: what is taken, what is told, and what is refused in which words."""

from datetime import UTC, datetime

import numpy as np
import pytest
from simulated import SITE, write

from controller.errors import LogbookError
from controller.learn import logbook as module
from controller.learn.logbook import read_logbook, sunshine_w_m2
from controller.physics import sky_temp_c

HEAD = ["time", "outside_c", "house_c"]


def at(minutes):
    return datetime.fromtimestamp(1_800_000_000 + 60.0 * minutes, UTC).isoformat()


def rows(count=24, every=5, **more):
    return [[at(k * every), 3.0 + 0.1 * k, 5.0 + 0.1 * k, *more.values()] for k in range(count)]


def told(tmp_path, head, lines):
    with pytest.raises(LogbookError) as caught:
        read_logbook(write(tmp_path / "log.csv", head, lines), SITE)
    return str(caught.value)


def test_a_record_of_the_house_alone_is_enough_and_all_that_lacks_is_told(tmp_path):
    logbook = read_logbook(write(tmp_path / "log.csv", HEAD, rows()), SITE)
    assert logbook.record.readings_c.shape == (24, 1)
    assert logbook.record.house_temp_c == pytest.approx([5.0 + 0.1 * k for k in range(24)])
    assert logbook.prior.tree_count == 0
    assert np.isfinite(logbook.record.inputs.sky_depression_k).all()
    text = "\n".join(logbook.remarks)
    for words in ("no tree", "no dew_point_c or rh_pct", "no wind_m_s", "no cloud_frac", "no vent_m3_s"):
        assert words in text
    assert "no shortwave_w_m2: sunshine is estimated" in text


def test_weather_changes_along_a_step_and_powers_stay_until_the_next_row(tmp_path):
    head = [*HEAD, "dew_point_c", "cloud_frac", "wind_m_s", "lemon.air_c", "lemon.string_w", "lemon.fleece"]
    lines = [
        [at(0), 0.0, 1.0, -2.0, 0.0, 2.0, 4.0, 350, "on"],
        [at(5), 1.0, 2.0, -2.0, 0.0, 2.0, "", 0, ""],
        [at(10), 2.0, "nan", -2.0, 0.0, 2.0, 4.5, 350, "no"],
    ]
    logbook = read_logbook(write(tmp_path / "log.csv", head, lines), SITE)
    inputs = logbook.record.inputs
    assert inputs.outside_temp_c == pytest.approx([0.5, 1.5, 2.0])
    assert inputs.string_w[:, 0] == pytest.approx([350.0, 0.0, 350.0])
    assert inputs.fleece_on[:, 0].tolist() == [True, True, False]
    assert inputs.sky_depression_k == pytest.approx(
        inputs.outside_temp_c - sky_temp_c(inputs.outside_temp_c, -2.0, 0.0)
    )
    assert np.isnan(logbook.record.house_temp_c[2])
    assert np.isnan(logbook.record.tree_temp_c[1, 0])
    assert "no column of yuzu: it is left out" in logbook.remarks


def test_a_power_on_for_part_of_a_step_counts_for_that_part(tmp_path):
    head = [*HEAD, "lemon.string_w"]
    lines = [[at(k), 3.0, 5.0, 300 if k in {0, 1} else 0] for k in range(11)]
    logbook = read_logbook(write(tmp_path / "log.csv", head, lines), SITE)
    assert logbook.record.inputs.string_w[:, 0] == pytest.approx([120.0, 0.0, 0.0])
    assert "no lemon.air_c: the air round it is computed, never checked" in logbook.remarks


def test_humidity_in_percent_gives_the_dew_point(tmp_path):
    head = [*HEAD, "rh_pct", "cloud_frac"]
    lines = [[at(5 * k), 10.0, 12.0, 50.0, 0.0] for k in range(5)]
    inputs = read_logbook(write(tmp_path / "log.csv", head, lines), SITE).record.inputs
    # 10 °C and 50 % is a dew point of 0.06 °C (PsychroLib / ASHRAE; any psychrometric chart)
    assert inputs.sky_depression_k == pytest.approx(10.0 - sky_temp_c(10.0, 0.06, 0.0), abs=0.05)


@pytest.mark.parametrize(("every", "grid"), [(1, 300.0), (5, 300.0), (10, 600.0), (15, 900.0), (60, 900.0)])
def test_the_grid_suits_the_rows(tmp_path, every, grid):
    logbook = read_logbook(write(tmp_path / "log.csv", HEAD, rows(every=every)), SITE)
    assert logbook.record.inputs.step_s == grid
    assert logbook.interval_s == 60.0 * every
    seen = np.isfinite(logbook.record.house_temp_c)
    assert seen.sum() == min(24, logbook.record.steps)


def test_holes_and_unknown_columns_are_told_and_nothing_is_read_into_a_hole(tmp_path):
    lines = [*rows(6), *[[at(600 + 5 * k), 3.0, 5.0] for k in range(6)]]
    head = [*HEAD, "lemon.airc", "notes"]
    logbook = read_logbook(
        write(tmp_path / "log.csv", [*head, "lemon.air_c"], [[*line, 1, "", 4.0] for line in lines]), SITE
    )
    text = "\n".join(logbook.remarks)
    assert "1 hole longer than 3 h, the longest 9.6 h" in text
    assert "lemon.airc (did you mean lemon.air_c?), notes" in text
    assert np.isnan(logbook.record.house_temp_c[7:119]).all()


def test_the_fleece_is_the_site_file_s_where_nothing_is_written(tmp_path):
    head = [*HEAD, "lemon.air_c"]
    logbook = read_logbook(write(tmp_path / "log.csv", head, [[*row, 4.0] for row in rows()]), SITE)
    assert logbook.record.inputs.fleece_on.all()
    assert any("no lemon.fleece: it is taken to be covered" in remark for remark in logbook.remarks)


def test_each_fault_names_line_expectation_what_came_and_what_to_do(tmp_path):
    text = told(
        tmp_path,
        [*HEAD, "cloud_frac"],
        [
            ["2027-01-14 18:00", 1, 2, 0.1],
            ["2027-01-14T18:05Z", "1,5", "2,0", 0.1],
            ["yesterday", 1, 2, 0.1],
            ["2027-01-14T18:15Z", 1, 2, 80],
            ["2027-01-14T18:10Z", 71, 2, 0.1],
        ],
    )
    assert "line 2: 'time': expected a time with its zone, but '2027-01-14 18:00' came; add Z" in text
    assert "line 4: 'time': expected a time such as 2027-01-14T18:00Z, but 'yesterday' came" in text
    assert "line 5: 'cloud_frac': expected 0 to 1, but 80 came" in text
    assert "divide percent by 100" in text
    assert "line 6: 'outside_c': expected -60 to 60, but 71 came; leave the cell empty" in text
    assert "line 6: expected a time later than the row before" in text


def test_a_decimal_comma_is_named(tmp_path):
    file = tmp_path / "log.csv"
    file.write_text(f'time,outside_c,house_c\n{at(0)},"1,5",2\n{at(5)},1.5,inf\n')
    with pytest.raises(LogbookError, match="use a point for decimals") as caught:
        read_logbook(file, SITE)
    assert "line 3: 'house_c': expected -60 to 80, but inf came" in str(caught.value)


def test_many_faults_are_counted(tmp_path):
    assert "and 14 more" in told(tmp_path, HEAD, [[at(5 * k), "x", 1] for k in range(24)])


@pytest.mark.parametrize(
    ("head", "lines", "words"),
    [
        (["time", "house_c"], rows(), "line 1: expected a column 'outside_c', but 'time', 'house_c' came"),
        (["time;outside_c;house_c"], [["a"]], "separate columns by commas"),
        ([], [], "expected a column 'time'"),
        (["time", "outside_c", "outside_c"], rows(), "expected each column once; delete one of 'outside_c'"),
        (HEAD, rows(1), "at least 2 rows, but 1 came"),
        (["time", "outside_c"], [row[:2] for row in rows()], "nothing measured inside"),
        (HEAD, [[at(0), "", 1], [at(5), "", 2]], "'outside_c' holds no number"),
        (HEAD, [["2007-01-01T00:00Z", 1, 1], ["2027-01-01T00:00Z", 1, 2]], "look for a wrong year"),
    ],
)
def test_what_cannot_be_a_logbook_is_refused(tmp_path, head, lines, words):
    assert words in told(tmp_path, head, lines)


def test_files_that_cannot_be_read_are_refused(tmp_path, monkeypatch):
    with pytest.raises(LogbookError, match="cannot be read"):
        read_logbook(tmp_path / "none.csv", SITE)
    (tmp_path / "log.csv").write_bytes(b"time,outside_c\n\xff\xfe,1\n")
    with pytest.raises(LogbookError, match="UTF-8"):
        read_logbook(tmp_path / "log.csv", SITE)
    monkeypatch.setattr(module, "MOST_ROWS", 3)
    assert "more than 3 rows" in told(tmp_path, HEAD, rows())


def test_sunshine_from_height_and_clouds():
    # Kasten & Czeplak 1980 worked by hand: sin 30° = 0.5; overcast leaves a quarter.
    clear, dull = sunshine_w_m2(np.array([30.0, 30.0]), np.array([0.0, 1.0]))
    assert clear == pytest.approx(425.0)
    assert dull == pytest.approx(106.25)
    assert sunshine_w_m2(np.array([-5.0]), np.array([0.0]))[0] == 0.0
