"""What changed between two sheets of one site."""

from collections.abc import Iterator, Mapping
from typing import Any

# Smaller changes are the weather's, or a meter's [shares, K].
POWER_FRAC = 0.1
OFFSET_K = 0.15
PACE_FRAC = 0.5


def changes(before: Mapping[str, Any], after: Mapping[str, Any]) -> list[str]:
    """Return in plain sentences what is otherwise than it was; an empty list says that nothing is."""
    return [
        *_verdict(before, after),
        *_checks(before, after),
        *_watts(before, after),
        *_offsets(before, after),
        *_paces(before, after),
    ]


def _verdict(before: Mapping[str, Any], after: Mapping[str, Any]) -> Iterator[str]:
    if before["verdict"] != after["verdict"]:
        yield f"The verdict was {before['verdict']} and is {after['verdict']}."


def _checks(before: Mapping[str, Any], after: Mapping[str, Any]) -> Iterator[str]:
    old = {check["id"]: check for check in before["checks"]}
    new = {check["id"]: check for check in after["checks"]}
    for name, check in new.items():
        if name not in old:
            if before["kind"] == after["kind"]:
                yield f"New: {check['title']} ({check['outcome']})."
        elif old[name]["outcome"] != check["outcome"]:
            was, now = old[name]["outcome"], check["outcome"]
            yield f"{check['title']}: was {was}, is {now} ({check['evidence']})."
    if before["kind"] == after["kind"]:
        for name, check in old.items():
            if name not in new:
                yield f"No longer there: {check['title']}."


def _watts(before: Mapping[str, Any], after: Mapping[str, Any]) -> Iterator[str]:
    old = {circuit["name"]: circuit for circuit in before["circuits"]}
    for circuit in after["circuits"]:
        earlier = old.get(circuit["name"])
        if earlier is None:
            yield f"Circuit {circuit['name']} is new: {circuit['declared_w']:g} W declared."
            continue
        was_w, is_w = earlier["declared_w"], circuit["declared_w"]
        if was_w != is_w:
            yield f"Circuit {circuit['name']}: {was_w:g} W were declared, now {is_w:g} W."
        was_w, is_w = earlier["measured_w"], circuit["measured_w"]
        if was_w and is_w is not None and abs(is_w / was_w - 1.0) > POWER_FRAC:
            yield f"Circuit {circuit['name']} drew {was_w:.0f} W with all strings on, now {is_w:.0f} W."


def _offsets(before: Mapping[str, Any], after: Mapping[str, Any]) -> Iterator[str]:
    old = {row["probe"]: row["found_k"] for row in before["offsets"]}
    for row in after["offsets"]:
        was_k, is_k = old.get(row["probe"]), row["found_k"]
        if was_k is not None and is_k is not None and abs(is_k - was_k) > OFFSET_K:
            yield f"Probe {row['probe']} was off by {-was_k:+.2f} K in ice, now by {-is_k:+.2f} K."


def _paces(before: Mapping[str, Any], after: Mapping[str, Any]) -> Iterator[str]:
    """Tell strings that warm their tree much more slowly than they did."""
    old = {row["tag"]: row["rise_k"] / row["minutes"] for row in before["measured"] if row["minutes"]}
    for row in after["measured"]:
        was, now = old.get(row["tag"], 0.0), row["rise_k"] / row["minutes"] if row["minutes"] else 0.0
        if was > 0.0 and now < PACE_FRAC * was:
            pace = f"by {was * 60:.1f} K/h at first, now by {now * 60:.1f} K/h"
            yield f"String {row['tag']} warmed its tree {pace}."
