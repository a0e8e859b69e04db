"""People put together and named, on people whose clothes and hands are known."""

import numpy as np
import pytest

from paddlebrief.players import COLOURS_LAB, letters, name_players
from paddlebrief.records import Handedness
from paddlebrief.session import Player
from paddlebrief.sight import Person
from paddlebrief.spells import PlayerSettings, spells_of

RED, BLUE, BLACK, WHITE = (45, 65, 45), (38, 15, -60), (10, 0, 0), (95, 0, 0)
RIGHT, LEFT = Handedness.RIGHT, Handedness.LEFT


def person(number, start_s, end_s, shirt, legs=BLACK) -> Person:
    return Person(person=number, start_s=start_s, end_s=end_s, frames=100, shirt_lab=shirt,
                  legs_lab=legs)  # fmt: skip


def named(people, hands=None, roster=(), looks=None, swings=None):
    hands = hands or {p.person: RIGHT for p in people}
    return name_players(
        people, hands, roster, PlayerSettings(), looks=looks or {}, swings=swings or {}
    )


def swung(counts):
    """So many swings of each person, two a second."""
    return {person: np.arange(n) / 2 for person, n in counts.items()}


def test_one_who_leaves_and_comes_back_stays_one_player():
    found = named([person(0, 0, 10, RED), person(1, 0, 30, BLUE), person(7, 15, 30, RED)])
    assert found.names == {0: "A", 1: "B", 7: "A"}


def test_two_seen_at_the_same_time_are_two_whatever_they_wear():
    found = named([person(0, 0, 10, RED), person(1, 5, 12, RED)])
    assert len(set(found.names.values())) == 2


def test_one_who_was_lost_while_another_number_followed_the_player_was_not_seen_then():
    times = np.arange(0, 25, 0.25)
    lost = (times >= 10) & (times <= 15)
    looks = {
        0: np.array([(t, *RED, *BLACK) for t in times[~lost]]),
        1: np.array([(t, *RED, *BLACK) for t in times[lost]]),
        2: np.array([(t, *BLUE, *BLACK) for t in times]),
    }
    people = [person(0, 0, 25, RED), person(1, 10.5, 14.5, RED), person(2, 0, 25, BLUE)]
    assert named(people, looks=looks).names == {0: "A", 1: "A", 2: "B"}
    looks[1][:, 0] += 8  # now both are seen at once
    people[1] = person(1, 18.5, 22.5, RED)
    assert len(set(named(people, looks=looks).names.values())) == 3


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


def test_a_player_seen_again_in_other_light_is_the_same_player_unless_both_are_seen_at_once():
    pale = (38, 12, -46)  # as when another player was followed for a while
    roster = [Player(name="Ana", clothes=["blue"]), Player(name="Bo", clothes=["red"])]
    people = [person(0, 0, 9, BLUE), person(1, 0, 30, RED), person(2, 12, 20, pale)]
    found = named(people, roster=roster)
    assert found.names == {0: "Ana", 1: "Bo", 2: "Ana"}
    assert not found.notes
    at_once = [person(0, 0, 19, BLUE), person(1, 0, 30, RED), person(2, 12, 20, pale)]
    found = named(at_once, roster=roster)
    assert found.names == {0: "Ana", 1: "Bo", 2: "C"}


def test_somebody_else_in_other_clothes_stays_off_the_roster():
    roster = [Player(name="Ana", clothes=["blue"]), Player(name="Bo", clothes=["red"])]
    people = [person(0, 0, 9, BLUE), person(1, 0, 30, RED), person(2, 12, 20, WHITE)]
    assert named(people, roster=roster).names[2] not in ("Ana", "Bo")


def by_light(lab, share):
    """A colour seen by a share of the light, by scikit-image."""
    from skimage.color import lab2xyz, xyz2lab

    return tuple(xyz2lab(lab2xyz(np.array(lab, float)) * share))


@pytest.mark.parametrize("share", [1.0, 0.5, 0.12])
def test_named_colours_are_those_in_the_light_of_the_recording(share):
    clothes = {
        "Ana": ("yellow", "navy"), "Bo": ("light blue", "grey"), "Cy": ("beige", "grey"),
        "Di": ("grey", "black"),
    }  # fmt: skip
    roster = [Player(name=name, clothes=list(words)) for name, words in clothes.items()]
    people = [
        person(k, 0, 9, *(by_light(COLOURS_LAB[word], share) for word in words))
        for k, words in enumerate(clothes.values())
    ]
    assert named(people, roster=roster).names == dict(enumerate(clothes))


def test_swings_count_for_the_spell_in_which_they_were():
    # the first looks are a tree's, which sight took for the player; it swings no paddle
    roster = [Player(name="Ana", clothes=["blue"]), Player(name="Bo", clothes=["red"])]
    seconds = np.concatenate([np.arange(0, 20, 0.5), np.arange(26, 60, 0.5)])
    looks = np.column_stack([
        seconds, np.where(seconds[:, None] < 20, [46, -30, 30], RED),
        np.tile(BLACK, (len(seconds), 1)),
    ])  # fmt: skip
    people = [person(0, 0, 60, RED), person(1, 0, 60, (46, 10, -20))]
    strokes = {0: np.arange(27, 60, 2.0), 1: np.arange(5, 60, 3.0)}
    found = named(people, roster=roster, looks={0: looks}, swings=strokes)
    assert found.name(0, 30.0) == "Bo"
    assert found.name(1, 30.0) == "Ana"
    assert found.name(0, 5.0) not in ("Ana", "Bo")


def test_the_price_of_a_hand_told_wrongly_is_not_one_of_colours():
    roster = [Player(name="Ana", clothes=["blue"], handedness="right"),
              Player(name="Bo", clothes=["red"], handedness="right")]  # fmt: skip
    people = [person(0, 0, 9, RED), person(1, 0, 9, (46, 10, -20))]
    found = named(people, hands={0: RIGHT, 1: LEFT}, roster=roster)
    assert found.names == {0: "Bo", 1: "Ana"}


def test_legs_that_are_never_seen_leave_the_shirt_to_tell():
    unseen = (np.nan,) * 3
    roster = [
        Player(name="Ana", clothes=["blue", "black"]), Player(name="Bo", clothes=["red", "black"])
    ]  # fmt: skip
    people = [person(0, 0, 9, RED, unseen), person(1, 0, 9, BLUE)]
    assert named(people, roster=roster).names == {0: "Bo", 1: "Ana"}


def test_clothes_that_are_never_seen_name_nobody():
    unseen = (np.nan,) * 3
    roster = [Player(name="Ana", clothes=["blue"]), Player(name="Bo", clothes=["red"])]
    found = named([person(0, 0, 9, unseen, unseen), person(1, 0, 9, BLUE)], roster=roster)
    assert found.names[0] not in ("Ana", "Bo")
    assert found.names[1] == "Ana"


def test_an_unknown_colour_word_is_said_and_leaves_the_other_garment_in_place():
    people = [person(0, 0, 9, RED, BLACK), person(1, 0, 9, BLACK, RED)]
    roster = [Player(name="Ana", clothes=["plaid", "black"]), Player(name="Bo", clothes=["black"])]
    found = named(people, roster=roster)
    assert found.names == {0: "Ana", 1: "Bo"}
    assert len(found.notes) == 1
    assert "plaid" in found.notes[0]


def test_in_like_clothes_the_hand_decides():
    people = [person(0, 0, 9, RED), person(1, 0, 9, RED)]
    roster = [
        Player(name="Ana", clothes=["red"], handedness="left"),
        Player(name="Bo", clothes=["red"], handedness="right"),
    ]
    found = named(people, {0: RIGHT, 1: LEFT}, roster)
    assert found.names == {0: "Bo", 1: "Ana"}
    assert found.notes == ()


@pytest.mark.parametrize(("strokes", "players"), [(1, 1), (5, 2)])
def test_a_hand_told_from_few_swings_keeps_nobody_apart(strokes, players):
    people = [person(0, 0, 9, RED), person(1, 10, 30, RED)]
    found = named(people, {0: LEFT, 1: RIGHT}, swings=swung({0: strokes, 1: 8}))
    assert len(set(found.names.values())) == players


def test_clear_clothes_outweigh_the_hand_told_from_swings_and_say_so():
    people = [person(0, 0, 9, RED), person(1, 0, 9, BLUE)]
    roster = [
        Player(name="Ana", clothes=["red"], handedness="left"),
        Player(name="Bo", clothes=["blue"], handedness="right"),
    ]
    found = named(people, roster=roster)
    assert found.names == {0: "Ana", 1: "Bo"}
    assert found.hands == {0: LEFT, 1: RIGHT}
    assert len(found.notes) == 1
    assert "Ana" in found.notes[0]


def test_one_left_over_is_matched_though_the_named_colour_is_not_what_shows_most():
    lime = (58, -24, 47)  # worn with maroon sleeves, which the roster names
    people = [person(0, 0, 9, (64, -3, 54), (12, 8, -21)), person(1, 0, 9, lime, (16, 4, 5))]
    roster = [
        Player(name="Cleo", clothes=["yellow", "navy"]),
        Player(name="Dan", clothes=["maroon", "black"]),
    ]
    assert named(people, roster=roster).names == {0: "Cleo", 1: "Dan"}


def test_who_hardly_swings_is_no_rival_and_no_player_where_the_roster_is_complete():
    people = [person(0, 0, 60, RED), person(1, 0, 60, BLUE), person(2, 0, 60, (45, 60, 30))]
    roster = [Player(name="Ana", clothes=["blue"]), Player(name="Bo", clothes=["red"])]
    found = named(people, roster=roster, swings=swung({0: 12, 1: 10, 2: 2}))
    assert found.names == {0: "Bo", 1: "Ana", 2: "C"}
    assert found.strangers == {"C"}
    assert "not on the roster" in found.notes[0]
    busy = named(people, roster=roster, swings=swung({0: 12, 1: 10, 2: 9}))
    assert busy.strangers == frozenset()


@pytest.mark.parametrize(
    ("halves", "strangers"),
    [({0: -1, 1: -1, 2: 1}, {"C"}), ({0: -1, 1: 1, 2: 1}, set()), ({0: -1, 1: -1}, set())],
)
def test_who_swings_across_the_net_from_the_whole_roster_is_a_feeder(halves, strangers):
    people = [person(0, 0, 60, RED), person(1, 0, 60, BLUE), person(2, 0, 60, WHITE)]
    roster = [Player(name="Ana", clothes=["blue"]), Player(name="Bo", clothes=["red"])]
    counts = swung({0: 12, 1: 10, 2: 9})
    found = name_players(
        people, {p.person: RIGHT for p in people}, roster, PlayerSettings(), swings=counts,
        halves=halves,
    )  # fmt: skip
    assert found.strangers == strangers


def test_who_swings_across_the_net_is_no_rival_for_a_name():
    own, other = (45, 56, 35), (45, 52, 32)
    people = [person(0, 0, 60, own), person(1, 0, 60, BLUE), person(2, 0, 60, other)]
    roster = [Player(name="Ana", clothes=["blue"]), Player(name="Bo", clothes=["red"])]
    halves = {0: -1, 1: -1, 2: 1}

    def name_of_first(**known):
        return name_players(
            people, {p.person: RIGHT for p in people}, roster, PlayerSettings(),
            swings=swung({0: 12, 1: 10, 2: 9}), **known,
        ).names[0]  # fmt: skip

    assert name_of_first() != "Bo"
    assert name_of_first(halves=halves) == "Bo"


def test_a_short_piece_joins_the_player_some_of_whose_looks_it_is_like():
    rng = np.random.default_rng(5)

    def worn(times, *shirts):
        rows = [(t, *shirts[k % len(shirts)], *BLACK) for k, t in enumerate(times)]
        return np.array(rows) + np.pad(rng.normal(0, 2, (len(rows), 6)), ((0, 0), (1, 0)))

    lime, maroon = (58, -24, 47), (36, 40, 25)
    people = [
        person(0, 0, 40, lime), person(1, 0, 40, BLUE), person(2, 45, 48, maroon),
        person(3, 45, 48, (95, 0, 0)),
    ]  # fmt: skip
    looks = {
        0: worn(np.arange(0, 40, 0.25), lime, lime, maroon),
        1: worn(np.arange(0, 40, 0.25), BLUE),
        2: worn(np.arange(45, 48, 0.25), maroon),
        3: worn(np.arange(45, 48, 0.25), (95, 0, 0)),
    }
    found = named(people, looks=looks)
    assert found.names[2] == found.names[0]
    assert found.names[3] not in {found.names[0], found.names[1]}


def test_nobody():
    found = named([])
    assert (found.names, found.hands, found.notes) == ({}, {}, ())


def worn(*spells, every_s=1.0, seed=0) -> np.ndarray:
    """Looks of a person: (from, to, shirt, legs) in turn, with noise and an arm now and then."""
    rng = np.random.default_rng(seed)
    rows = []
    for start_s, end_s, shirt, legs in spells:
        for time_s in np.arange(start_s, end_s, every_s):
            shirt_now = (62, 5, 10) if rng.uniform() < 0.1 else shirt
            rows.append([time_s, *shirt_now, *legs] + np.r_[0, rng.normal(0, 2, 6)])
    return np.array(rows)


def test_people_who_swap_numbers_when_they_cross_keep_their_names():
    # 0 is Ana until the two cross at 30 s and Bo from then on; Ana goes on as 8.
    people = [person(0, 0, 70, BLUE), person(7, 0, 30.5, BLUE), person(8, 30.5, 70, RED)]
    looks = {
        0: worn((0, 30.5, RED, BLACK), (30.5, 70, BLUE, WHITE)),
        7: worn((0, 30.5, BLUE, WHITE), seed=1),
        8: worn((30.5, 70, RED, BLACK), seed=2),
    }
    roster = [
        Player(name="Ana", clothes=["red", "black"], handedness="left"),
        Player(name="Bo", clothes=["blue", "white"], handedness="right"),
    ]
    found = named(people, {0: RIGHT, 7: RIGHT, 8: LEFT}, roster, looks)
    for time_s, name in ((2, "Ana"), (28, "Ana"), (34, "Bo"), (69, "Bo")):
        assert found.name(0, time_s) == name
    assert found.name(7, 20) == "Bo"
    assert found.name(8, 50) == "Ana"
    assert found.hands == {7: RIGHT, 8: LEFT}
    assert found.notes == ()
    with pytest.raises(KeyError):
        found.name(3, 1.0)


def test_a_shirt_of_two_colours_is_one_player_unless_both_are_seen_at_once():
    orange, purple = (60, 40, 60), (30, 29, -14)
    looks = {
        0: worn((0, 20, purple, WHITE), (20, 40, orange, WHITE), (40, 70, purple, WHITE)),
        1: worn((0, 70, BLUE, BLACK), seed=1),
    }
    people = [person(0, 0, 70, purple, WHITE), person(1, 0, 70, BLUE)]
    roster = [
        Player(name="Ana", clothes=["blue", "black"]),
        Player(name="Bo", clothes=["orange", "white"]),
    ]
    found = named(people, roster=roster, looks=looks)
    assert [found.name(0, t) for t in (5, 30, 60)] == ["Bo"] * 3
    # now the one in purple is followed on while the first number has passed to one in orange
    looks[2] = worn((22, 38, purple, WHITE), seed=2)
    people.append(person(2, 22, 38, purple, WHITE))
    found = named(people, looks=looks)
    assert found.name(0, 5) == found.name(2, 30) == found.name(0, 60) != found.name(0, 30)


def test_an_arm_before_the_shirt_makes_no_other_player():
    looks = worn((0, 60, RED, BLACK), seed=3)
    assert len(spells_of(person(0, 0, 60, RED), looks, PlayerSettings())) == 1
    few = spells_of(person(0, 0, 3, RED), looks[:3], PlayerSettings())
    assert [(s.start_s, s.end_s, s.shirt_lab) for s in few] == [(0, 3, RED)]


@pytest.mark.parametrize(
    ("number", "name"), [(0, "A"), (25, "Z"), (26, "AA"), (51, "AZ"), (52, "BA")]
)
def test_letters_go_on_after_z(number, name):
    assert letters(number) == name
