"""Long work that is stopped: what has come is kept, what was cut short is done again, nothing is mixed."""

import json
from dataclasses import dataclass

import pytest

from controller.errors import RehearsalError
from simulator.kept import Kept, carried_on


@dataclass(frozen=True)
class Square:
    number: int
    value: int

    @property
    def key(self):
        return str(self.number)


def squared(number):
    if number < 0:
        raise ValueError("no negative number")
    return Square(number, number * number)


def jobs(*numbers):
    return {str(number): number for number in numbers}


def test_what_is_kept_comes_first_and_is_not_done_again(tmp_path):
    kept = Kept(tmp_path / "squares", Square)
    kept.add([Square(2, 5)])  # as no run would find it
    results = list(carried_on(jobs(1, 2, 3), squared, kept, processes=2))
    assert results[0] == Square(2, 5)
    assert {each.number: each.value for each in results} == {1: 1, 2: 5, 3: 9}
    assert Kept(tmp_path / "squares", Square).results == {each.key: each for each in results}


def test_what_came_before_a_failure_is_kept(tmp_path):
    kept = Kept(tmp_path / "squares", Square)
    with pytest.raises(ValueError, match="negative"):
        list(carried_on(jobs(4, -1), squared, kept, processes=1))
    assert Kept(tmp_path / "squares", Square).results == {"4": Square(4, 16)}


def test_a_line_cut_short_is_left_out_and_spoils_no_other(tmp_path):
    path = tmp_path / "squares"
    Kept(path, Square).add([Square(1, 1), Square(2, 4)])
    path.write_text(path.read_text()[:-5])  # the disk was full, or the plug was pulled
    kept = Kept(path, Square)
    assert kept.results == {"1": Square(1, 1)}
    kept.add([Square(3, 9)])
    assert set(Kept(path, Square).results) == {"1", "3"}


def test_without_a_folder_nothing_is_kept():
    assert [each.value for each in carried_on(jobs(3), squared, None, processes=1)] == [9]


@pytest.mark.parametrize("other", [{"code": "other"}, {"site": "other"}])
def test_results_of_another_program_or_of_other_work_are_not_mixed_in(tmp_path, other):
    path = tmp_path / "squares"
    Kept(path, Square, {"site": "this"})
    path.write_text(json.dumps({**json.loads(path.read_text()), **other}) + "\n")
    with pytest.raises(RehearsalError, match="another version or of other work"):
        Kept(path, Square, {"site": "this"})
