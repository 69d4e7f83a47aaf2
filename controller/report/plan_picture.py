"""The plan as a picture; needs matplotlib (extra ``report``)."""

from datetime import UTC, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

from controller.picture import picture
from controller.plan.plan import Plan
from controller.site.model import Site


def draw(site: Site, plan: Plan, path: Path) -> None:
    """Write a picture of the planned day: temperatures above, heat below.

    Raises
    ------
    RimewardError
        Matplotlib is not installed, or the picture cannot be written.
    """
    zone, course = ZoneInfo(site.place.time_zone), plan.course
    at = [datetime.fromtimestamp(float(s), tz=UTC).astimezone(zone) for s in course.at_s]
    with picture(path, (10, 6)) as figure:
        temperatures, heat = figure.subplots(2, 1, sharex=True, height_ratios=(2, 1))
        temperatures.plot(at, course.outside_temp_c, color="0.6", label="outside, looked at colder")
        temperatures.plot(at, course.house_temp_c, color="black", label="house")
        for i, name in enumerate(plan.trees):
            temperatures.plot(at, course.tree_temp_c[:, i], label=name)
        temperatures.axhline(0.0, color="0.8", linewidth=1)
        temperatures.set_ylabel("air [°C]")
        temperatures.legend(ncols=2)
        temperatures.set_title(plan.says(zone), fontsize=9, wrap=True)
        heat.fill_between(at, course.string_w.sum(1), step="pre", color="tab:red")
        heat.set_ylabel("all strings [W]")
        heat.tick_params(axis="x", rotation=30)
