"""The state of the guard is never changed in place."""

from dataclasses import replace

import pytest

from controller.guard.state import begin, changed


def test_a_change_gives_what_replace_gives_and_leaves_the_old_state_alone(curlew_yard):
    state = begin(curlew_yard, "s1")
    after = changed(state, session="s2", looked_s=5.0)
    assert after == replace(state, session="s2", looked_s=5.0)
    assert (state.session, after.session) == ("s1", "s2")
    assert state.looked_s < after.looked_s


def test_a_field_that_does_not_exist_is_refused_by_name(curlew_yard):
    with pytest.raises(TypeError, match="a state has no field sesion"):
        changed(begin(curlew_yard, "s1"), sesion="s2")
