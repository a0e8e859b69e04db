"""People put together and named, on people whose clothes and hands are known."""

import pytest

from paddlebrief.players import PlayerSettings, letters, name_players
from paddlebrief.records import Handedness
from paddlebrief.session import Player
from paddlebrief.sight import Person

RED, BLUE, BLACK, WHITE = (45, 65, 45), (38, 15, -60), (10, 0, 0), (95, 0, 0)
RIGHT, LEFT = Handedness.RIGHT, Handedness.LEFT


def person(number, start_s, end_s, shirt, legs=BLACK) -> Person:
    return Person(person=number, start_s=start_s, end_s=end_s, frames=100, shirt_lab=shirt,
                  legs_lab=legs)  # fmt: skip


def named(people, hands=None, roster=()):
    hands = hands or {p.person: RIGHT for p in people}
    return name_players(people, hands, roster, PlayerSettings())


def test_one_who_leaves_and_comes_back_stays_one_player():
    found = named([person(0, 0, 10, RED), person(1, 0, 30, BLUE), person(7, 15, 30, RED)])
    assert found.names == {0: "A", 1: "B", 7: "A"}


def test_two_seen_at_the_same_time_are_two_whatever_they_wear():
    found = named([person(0, 0, 10, RED), person(1, 5, 12, RED)])
    assert len(set(found.names.values())) == 2


def test_other_legs_or_another_hand_make_another_player():
    people = [person(0, 0, 5, RED), person(1, 6, 9, RED, WHITE), person(2, 10, 12, RED)]
    found = named(people, {0: RIGHT, 1: RIGHT, 2: LEFT})
    assert len(set(found.names.values())) == 3


def test_a_single_player_on_the_roster_is_the_single_player_seen():
    found = named([person(0, 0, 5, RED)], roster=[Player(name="Ana", handedness="left")])
    assert found.names == {0: "Ana"}
    assert found.hands == {0: LEFT}


def test_clothes_match_the_roster_and_doubt_keeps_the_letter():
    people = [person(0, 0, 9, RED), person(1, 0, 9, BLUE)]
    clear = [Player(name="Ana", clothes=["blue"]), Player(name="Bo", clothes=["red"])]
    assert named(people, roster=clear).names == {0: "Bo", 1: "Ana"}
    doubtful = [Player(name="Ana", clothes=["red"]), Player(name="Bo", clothes=["red"])]
    found = named(people, roster=doubtful)
    assert set(found.names.values()) == {"A", "B"}
    assert len(found.notes) == 2
    assert "session.yaml" in found.notes[0]


def test_wrong_hand_is_never_matched():
    people = [person(0, 0, 9, RED), person(1, 0, 9, BLUE)]
    roster = [
        Player(name="Ana", clothes=["red"], handedness="left"),
        Player(name="Bo", clothes=["blue"], handedness="right"),
    ]
    assert named(people, roster=roster).names == {0: "A", 1: "Bo"}


def test_nobody():
    found = named([])
    assert (found.names, found.hands, found.notes) == ({}, {}, ())


@pytest.mark.parametrize(
    ("number", "name"), [(0, "A"), (25, "Z"), (26, "AA"), (51, "AZ"), (52, "BA")]
)
def test_letters_go_on_after_z(number, name):
    assert letters(number) == name
