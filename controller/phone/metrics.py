"""The present as OpenMetrics text (OpenMetrics 1.0), for whoever keeps watch over many machines."""

from collections.abc import Iterable, Mapping

from controller.bus.messages import StatusPayload

MEDIA_TYPE = "application/openmetrics-text; version=1.0.0; charset=utf-8"
Samples = Iterable[tuple[Mapping[str, str], float | None]]


def metrics_of(status: StatusPayload | None, age_s: float) -> str:
    """Return every figure of the controller's latest status; without one only that it is missing.

    Parameters
    ----------
    status
        The controller's latest word.
    age_s
        How old that is [s].
    """
    lines = [
        *_gauge("rimeward_status_heard", "", "Whether the controller was heard.", [({}, status is not None)])
    ]
    if status is not None:
        lines += _gauge("rimeward_status_age_seconds", "seconds", "Age of the status.", [({}, age_s)])
        lines += _of_trees(status)
        lines += _gauge(
            "rimeward_vent_open",
            "",
            "Whether a vent is open or running, as decided.",
            [({"vent": each.name}, each.active) for each in status.outputs if each.kind == "vent"],
        )
        lines += _gauge(
            "rimeward_probe_celsius",
            "celsius",
            "What each probe reads.",
            [({"probe": name}, temp_c) for name, temp_c in status.probes_c.items()],
        )
        lines += _gauge(
            "rimeward_board_heard",
            "",
            "Whether a board answers.",
            [({"board": board.name}, board.heard) for board in status.boards],
        )
    return "\n".join([*lines, "# EOF", ""])


def _of_trees(status: StatusPayload) -> Iterable[str]:
    trees = [({"tree": each.name}, each) for each in status.outputs if each.kind == "tree"]
    yield from _gauge(
        "rimeward_air_celsius", "celsius", "Air round each tree.", [(t, each.temp_c) for t, each in trees]
    )
    yield from _gauge(
        "rimeward_fruit_celsius", "celsius", "Fruit, estimated.", [(t, each.fruit_c) for t, each in trees]
    )
    yield from _gauge(
        "rimeward_hold_celsius",
        "celsius",
        "Air temperature to hold.",
        [(t, each.hold_c) for t, each in trees],
    )
    yield from _gauge(
        "rimeward_heat_ordered", "", "Whether heat is decided.", [(t, each.active) for t, each in trees]
    )
    yield from _gauge(
        "rimeward_strings_on",
        "",
        "Strings that report on, or did when their board was last heard.",
        [(t, each.echoed_on) for t, each in trees],
    )
    yield from _gauge("rimeward_strings", "", "Strings there are.", [(t, each.channels) for t, each in trees])


def _gauge(name: str, unit: str, text: str, samples: Samples) -> Iterable[str]:
    yield f"# TYPE {name} gauge"
    if unit:
        yield f"# UNIT {name} {unit}"
    yield f"# HELP {name} {text}"
    for labels, value in samples:
        if value is not None:
            inside = ",".join(f'{key}="{_escaped(label)}"' for key, label in labels.items())
            yield f"{name}{{{inside}}} {float(value):g}" if inside else f"{name} {float(value):g}"


def _escaped(text: str) -> str:
    return text.replace("\\", "\\\\").replace('"', '\\"').replace("\n", "\\n")
