"""A quick class is a frozen dataclass in all that Python's own documentation says of one."""

import copy
import math
import pickle
from dataclasses import FrozenInstanceError, asdict, dataclass, field, replace

import pytest

from controller.guard.decision import Decision
from controller.quick import quick


@dataclass(frozen=True, slots=True, kw_only=True)
class Usual:
    """Made by the module dataclasses alone."""

    name: str
    temp_c: float = math.inf
    words: tuple[str, ...] = ()


@quick
@dataclass(frozen=True, slots=True, kw_only=True)
class Quick:
    """The same, made quickly."""

    name: str
    temp_c: float = math.inf
    words: tuple[str, ...] = ()


@pytest.mark.parametrize("given", [{"name": "a"}, {"name": "b", "temp_c": 1.5, "words": ("x",)}])
def test_it_holds_what_a_usual_one_holds(given):
    assert asdict(Quick(**given)) == asdict(Usual(**given))
    assert repr(Quick(**given)) == repr(Usual(**given)).replace("Usual", "Quick")
    assert hash(Quick(**given)) == hash(Usual(**given))
    assert Quick(**given) == Quick(**given)
    assert Quick(**given) != Usual(**given)
    assert type(Quick(**given)) is Quick


@pytest.mark.parametrize("given", [{}, {"name": "a", "height_m": 2.0}])
def test_a_field_too_few_or_too_many_is_refused_as_usual(given):
    with pytest.raises(TypeError) as usual:
        Usual(**given)
    with pytest.raises(TypeError) as refused:
        Quick(**given)
    assert str(refused.value) == str(usual.value).replace("Usual", "Quick")
    with pytest.raises(TypeError, match="positional"):
        Quick("a")


def test_it_is_frozen_and_has_no_room_for_more():
    one = Quick(name="a")
    with pytest.raises(FrozenInstanceError):
        one.name = "b"
    with pytest.raises(FrozenInstanceError):
        del one.name
    with pytest.raises((FrozenInstanceError, TypeError)):
        one.height_m = 2.0
    assert not hasattr(one, "__dict__")
    assert one.name == "a"


def test_copies_changed_ones_and_pickled_ones_are_of_the_class():
    one = Quick(name="a", words=("x", "y"))
    changed = replace(one, name="b")
    assert (changed, one.name) == (Quick(name="b", words=("x", "y")), "a")
    pickled = pickle.loads(pickle.dumps(one))  # noqa: S301 (made a moment ago)
    for same in (copy.copy(one), copy.deepcopy(one), pickled):
        assert same == one
        assert type(same) is Quick
        with pytest.raises(FrozenInstanceError):
            same.name = "c"


def test_decision_records_are_such():
    assert Decision.__init__.__code__.co_filename == "<string>"
    assert "twin" in Decision.__init__.__code__.co_names


def made_anew():
    @dataclass(frozen=True, slots=True, kw_only=True)
    class Anew:
        words: list[str] = field(default_factory=list)

    return Anew


def with_an_afterthought():
    @dataclass(frozen=True, slots=True, kw_only=True)
    class After:
        name: str

        def __post_init__(self) -> None:
            pass

    return After


def with_a_base():
    @dataclass(frozen=True, slots=True, kw_only=True)
    class Heir(Usual):
        height_m: float

    return Heir


def thawed():
    @dataclass(slots=True, kw_only=True)
    class Thawed:
        name: str

    return Thawed


def positional():
    @dataclass(frozen=True, slots=True)
    class Positional:
        name: str

    return Positional


@pytest.mark.parametrize(
    "make", [made_anew, with_an_afterthought, with_a_base, thawed, positional, lambda: int]
)
def test_what_it_cannot_make_is_refused(make):
    with pytest.raises(TypeError):
        quick(make())
