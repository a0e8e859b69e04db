"""The stage's verb: measure every stroke of a recording."""

from collections.abc import Sequence

from paddlebrief.mechanics.image_plane import StrokeView, measure_stroke
from paddlebrief.records import FootageInfo, MeasuredStroke, Stroke
from paddlebrief.sight import SightSettings, TrackParts
from paddlebrief.strokes.find import smoothed_window

__all__ = ["measure_strokes"]

MARGIN_S = 0.6  # of track beyond load and finish, s on court


def measure_strokes(
    info: FootageInfo, parts: TrackParts, strokes: Sequence[Stroke], *, sight: SightSettings
) -> list[MeasuredStroke]:
    """Measures of each stroke, in the strokes' order; empty for no strokes."""
    return [
        MeasuredStroke(
            recording=info.path.name,
            stroke=stroke,
            measures=measure_stroke(stroke_view(info, parts, stroke, sight=sight)),
        )
        for stroke in strokes
    ]


def stroke_view(
    info: FootageInfo, parts: TrackParts, stroke: Stroke, *, sight: SightSettings
) -> StrokeView:
    """One stroke with its player's smoothed track from before the load to after the finish."""
    margin = MARGIN_S * info.slow_factor
    return StrokeView(
        stroke=stroke,
        track=smoothed_window(
            parts,
            stroke.person,
            start_s=stroke.load_s - margin,
            end_s=stroke.finish_s + margin,
            contact_s=stroke.contact_s,
            slow_factor=info.slow_factor,
            sight=sight,
        ),
        slow_factor=info.slow_factor,
        placement_error=sight.placement_error,
        frame_interval_s=info.frame_interval_s,
    )
