from controller.bus.stagger import Stagger

ALL = ("1", "2", "3")


def test_what_was_on_from_the_start_stays_on():
    assert Stagger(1.0, ALL).step(ALL, 5.0) == ALL


def test_heaters_that_shall_come_on_together_do_so_one_after_another():
    stagger = Stagger(1.0, ALL)
    assert stagger.step((), 10.0) == ()
    assert stagger.step(ALL, 20.0) == ("1",)
    assert stagger.step(ALL, 20.9) == ("1",)
    assert stagger.step(ALL, 21.0) == ("1", "2")
    assert stagger.step(ALL, 22.0) == ALL


def test_a_late_step_makes_good_what_was_due():
    stagger = Stagger(1.0, ())
    stagger.step(ALL, 20.0)
    assert stagger.step(ALL, 30.0) == ALL


def test_none_waits_longer_than_a_minute():
    many = [str(n) for n in range(32)]
    stagger = Stagger(10.0, ())
    assert len(stagger.step(many, 0.0)) == 1
    assert len(stagger.step(many, 59.9)) == 6
    assert len(stagger.step(many, 60.0)) == 32


def test_going_off_never_waits_and_coming_on_again_waits_its_turn():
    stagger = Stagger(2.0, ALL)
    assert stagger.step(("1",), 10.0) == ("1",)
    assert stagger.step(("1", "2"), 11.0) == ("1", "2")
    assert stagger.step(("2",), 11.5) == ("2",)
    assert stagger.step(("1", "2"), 12.0) == ("2",)
    assert stagger.step(("1", "2"), 13.0) == ("1", "2")


def test_a_clock_that_gives_no_number_means_heat():
    stagger = Stagger(1.0, ())
    stagger.step(ALL, 1.0)
    assert stagger.step(ALL, float("nan")) == ALL
