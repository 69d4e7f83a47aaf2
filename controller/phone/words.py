"""Every text of the page, in one place: a catalogue for each language, English so far.

A text is looked up by its key and filled with ``str.format``; templates call the same ``say``.
"""

from collections.abc import Mapping

ENGLISH: Mapping[str, str] = {
    # the first sentence
    "all-well": "The trees are safe.",
    "safe-but": "The trees are safe now, but hands are needed for the night.",
    "look-at": "The trees are warm, but look at: {names}.",
    "go-now": "Go and look now: {names}.",
    "silent": "The controller has said nothing for {ago}.",
    "silent-then": "What stands below is from {time}. Heaters come on by themselves when the controller is "
    "gone; go and see that they did.",
    "never-heard": "Nothing has been heard from the controller yet.",
    "never-heard-then": "If it is not running, every heater comes on by itself within five minutes.",
    # the night ahead
    "night": "Down to {outside} outside at about {time}.",
    "night-no-heat": "No tree needs heat.",
    "night-heat": "Heat from about {begin} to {end}, {energy}, {cost}.",
    "no-outlook": "There is no forecast: each tree is held by its own probe alone.",
    # what hands must do
    "hands": "For your hands",
    "hands-none": "Nothing to do by hand.",
    "now": "now",
    "by": "by {time}",
    "do-cover": "See that every fleece is on to the ground and every door and vent is shut.",
    "do-short": "Put more fleece on {names}: the strings alone cannot hold so cold a night.",
    "do-board": "Look at board {name}: it does not answer. Its heaters come on by themselves, unproven.",
    "do-tree": "Go to {name}: {why}.",
    # trees
    "trees": "Trees",
    "heat-on": "HEAT ON",
    "heat-on-unproven": "HEAT ORDERED",
    "heat-off": "resting",
    "no-string": "no string",
    "air": "air",
    "fruit": "fruit",
    "fruit-unknown": "unknown",
    "hold": "held at {hold}; fruit freezes below {damage}",
    "proof-all": "proof: {on} of {all} strings report on",
    "proof-all-off": "proof: all {all} strings report off",
    "proof-leaving": "{on} of {all} strings still report on; a string stays on for two minutes",
    "proof-some": "only {on} of {all} strings report on",
    "proof-none": "no string reports on yet",
    "proof-silent": "its board is silent, so nobody can tell; a silent board heats",
    "rise": "air {change} in {minutes} min",
    "cold": "{air} under the fleece, and fruit freezes below {damage}",
    "cold-no-string": "{air} under the fleece, below {hold}, and it has no string",
    "not-on": "heat is ordered, and no string reports on",
    "part-on": "only {on} of {all} strings report on",
    "probe": "its probe cannot be believed, so it is heated",
    "board": "its board is silent",
    # vents
    "vents": "Vents",
    "open": "OPEN",
    "shut": "shut",
    # the picture
    "picture": "The night so far and the coming two days",
    "picture-of": "Temperatures from {begin} to {end}. Outside: {outside}. House: {house}. {tree}: {air}.",
    "span": "{low} to {high}",
    "outside": "outside",
    "house": "house",
    "picture-tree": "{name}, air",
    "limit": "held at",
    "strip-heat": "heat",
    "now-line": "now",
    "noon": "noon",
    "picture-none": "No readings are kept yet, and no forecast is there.",
    "figures": "The same in figures",
    "time": "time",
    "expected": "expected",
    # the ledger
    "ledger": "The last 24 hours: about {energy}, {cost} of heat.",
    # notices
    "notices": "The controller reports",
    "cautions": "Before you touch anything",
    "attribution": "Forecast: {source}. {attribution}",
    "heard": "From {time}, {ago} old.",
    "lost": "No contact with the page's own computer for {ago}. What you see is old.",
    "rehearsal": "Rehearsal: nothing real is switched.",
    "seconds": "{n} s",
    "minutes": "{n} min",
    "hours": "{n} h",
    "reload": "This page renews itself every half minute without scripts.",
    # refusals
    "wrong-host": "This page is not called by that name. Add the name to [phone] names in the site file.",
    "too-large": "That was more than this page takes.",
    "not-found": "There is no such page.",
    "failed": "The page failed. Control goes on without it; load the page again.",
}


def say(key: str, /, **values: object) -> str:
    """Return a text, filled."""
    return ENGLISH[key].format(**values)
