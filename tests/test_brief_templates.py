"""The report templates: accepted, refused with one clear error, and their colours kept apart."""

from itertools import combinations
from pathlib import Path

import numpy as np
import pytest
import yaml

from paddlebrief.brief.contrast import VISION, contrast, linear_rgb, luminance, worst_contrast
from paddlebrief.brief.template import load_templates
from paddlebrief.errors import SettingsError
from paddlebrief.mechanics.image_plane import StrokeView, measure_stroke
from paddlebrief.records import LANDMARKS, Track
from tests.brief_samples import stroke

PACKAGED = load_templates()
FOLDER = Path(__file__).parents[1] / "report_templates"


def own(folder: Path, name: str, edit) -> Path:
    """A folder with one edited template."""
    said = yaml.safe_load((FOLDER / f"{name}.yaml").read_text("utf-8"))
    edit(said)
    (folder / f"{name}.yaml").write_text(yaml.safe_dump(said), "utf-8")
    return folder


def fault(folder: Path) -> str:
    with pytest.raises(SettingsError) as caught:
        load_templates(folder)
    assert caught.value.todo
    return str(caught.value)


def test_own_file_replaces_the_packaged_one(tmp_path):
    own(tmp_path, "guidance", lambda said: said["cautions"].update(heading="Read me first"))
    loaded = load_templates(tmp_path)
    assert loaded.guidance.cautions.heading == "Read me first"
    assert loaded.brief == PACKAGED.brief


def test_misspelt_entry_is_told_with_a_suggestion(tmp_path):
    def misspell(said):
        said["summary"]["bset_heading"] = said["summary"].pop("best_heading")

    told = fault(own(tmp_path, "brief", misspell))
    assert "brief.yaml" in told
    assert "did you mean best_heading?" in told


def test_all_faults_of_a_file_come_in_one_error(tmp_path):
    def spoil(said):
        said["page"]["ink"] = "black"
        said["lines"]["hip"]["dash"] = "wavy"

    told = fault(own(tmp_path, "colours", spoil))
    assert "2 faults" in told
    assert "page.ink" in told
    assert "lines.hip.dash" in told


def test_unknown_word_in_braces_is_refused(tmp_path):
    told = fault(
        own(tmp_path, "brief", lambda said: said["summary"].update(none="{name} did not play"))
    )
    assert "uses {name}; accepted here: {player}" in told


@pytest.mark.parametrize("text", ["{player.__class__}", "{player!r}{", "{}"])
def test_braces_reach_nothing_but_the_listed_words(tmp_path, text):
    assert "summary.none" in fault(
        own(tmp_path, "brief", lambda said: said["summary"].update(none=text))
    )


def test_unreadable_yaml_names_the_line(tmp_path):
    (tmp_path / "page.yaml").write_text("margins_mm:\n  left: [1\n  right: 2\n")
    assert "not readable YAML in line" in fault(tmp_path)


def test_empty_file_is_refused(tmp_path):
    (tmp_path / "page.yaml").write_text("")
    assert "the file as a whole" in fault(tmp_path)


def test_file_of_another_name_is_refused(tmp_path):
    (tmp_path / "colors.yaml").write_text("{}")
    assert "did you mean colours?" in fault(tmp_path)


def test_missing_folder_is_told(tmp_path):
    assert "nowhere" in fault(tmp_path / "nowhere")


def test_no_brief_without_cautions(tmp_path):
    told = fault(own(tmp_path, "brief", lambda said: said["sections"].remove("cautions")))
    assert "never printed without its cautions" in told


def test_section_listed_twice_is_refused(tmp_path):
    assert "listed twice" in fault(
        own(tmp_path, "brief", lambda said: said["sections"].append("summary"))
    )


def test_unlisted_measure_goes_by_its_own_name():
    assert PACKAGED.measure_text("a_new_one_deg").label == "a_new_one_deg"
    ranks = [PACKAGED.measure_rank(n) for n in ("a_new_one_deg", "landing_depth_m")]
    assert max(ranks) == ranks[0]


def test_every_image_measure_has_its_wording():
    unseen = Track(
        person=0,
        frame=np.arange(3),
        time_s=np.arange(3.0),
        landmarks_px=np.full((3, len(LANDMARKS), 2), np.nan),
        visibility=np.zeros((3, len(LANDMARKS))),
        noise_px=np.ones(len(LANDMARKS)),
    )
    view = StrokeView(
        stroke=stroke(1).stroke,
        track=unseen,
        slow_factor=1.0,
        placement_error=0.01,
        frame_interval_s=1 / 30,
    )
    names = {measure.name for measure in measure_stroke(view)}
    assert names <= set(PACKAGED.measures.measures)


def test_contrast_is_that_of_the_standard():
    # WCAG 2.2: white on black is 21:1; #767676 is the lightest grey that passes 4.5:1 on white
    # (a widely quoted value, from memory).
    assert contrast("#000000", "#ffffff") == pytest.approx(21)
    assert contrast("#767676", "#ffffff") == pytest.approx(4.54, abs=0.005)
    assert contrast("#777777", "#ffffff") < 4.5


@pytest.mark.parametrize("vision", list(VISION))
def test_simulated_vision_keeps_greys(vision):
    # Machado et al. 2009: each matrix maps white, and so every grey, to itself.
    assert VISION[vision].sum(axis=1) == pytest.approx([1, 1, 1], abs=2e-6)


def test_protanopia_darkens_red_and_deuteranopia_does_not():
    # The long-known difference between the two (Judd 1949; from memory).
    red = linear_rgb("#ff0000")
    seen = {name: luminance(VISION[name] @ red) for name in VISION}
    assert seen["protanopia"] < 0.7 * luminance(red) < seen["deuteranopia"]


@pytest.mark.parametrize("vision", list(VISION))
@pytest.mark.parametrize("pair", list(combinations(("hip", "shoulder", "wrist"), 2)), ids="-".join)
def test_body_lines_stay_apart(pair, vision):
    # WCAG 2.2, success criterion 1.4.11: graphical objects need 3:1.
    styles = dict(PACKAGED.colours.lines)
    first, second = (styles[name] for name in pair)
    assert contrast(first.colour, second.colour, vision=vision) >= 3
    for trait in ("dash", "marker", "width_pt"):
        assert getattr(first, trait) != getattr(second, trait)


def test_every_line_stands_out_of_halo_or_keyline():
    colours = PACKAGED.colours
    for style in dict(colours.lines).values():
        edges = [contrast(style.colour, edge) for edge in (colours.halo, colours.keyline)]
        assert max(edges) >= 3


def test_running_text_is_readable_on_paper_and_tint():
    page = PACKAGED.colours.page
    for colour in (page.ink, page.heading, page.accent, page.muted):
        for paper in ("#ffffff", page.tint):
            assert contrast(colour, paper) >= 4.5  # WCAG 2.2, 1.4.3


def test_colours_that_look_alike_are_refused(tmp_path):
    # A red and a green of one luminance: apart for most, alike in grey and to the colour-blind.
    def alike(said):
        said["lines"]["hip"]["colour"], said["lines"]["wrist"]["colour"] = "#c00000", "#006400"

    assert "contrast of" in fault(own(tmp_path, "colours", alike))


def test_lines_that_share_a_trait_are_refused(tmp_path):
    told = fault(own(tmp_path, "colours", lambda said: said["lines"]["hip"].update(dash="dashed")))
    assert "hip and shoulder share the same dash" in told


def test_worst_contrast_of_one_colour_is_infinite():
    assert worst_contrast({"hip": "#000000"}) == (float("inf"), "")
