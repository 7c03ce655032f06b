"""What `drumtune ring` prints: the fixed names of its JSON, and the same in words.

Names are fixed: `hits`, `bands`, `summary`, `advice`; `reasons` and `faults` stand beside them as sentences. Strict
JSON: what is not there is null.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from drumtune.advice.damping import Change, advise, compare, richest_of
from drumtune.advice.patch import forecast_lines
from drumtune.advice.ring import Beat, HitReading, Partial, Spread, band_summary, summary
from drumtune.cli.strict_json import dumps, number
from drumtune.drum import Head
from drumtune.dsp.bands import nominal
from drumtune.dsp.decay import Figure

_IN_FULL = 3
"""Up to so many hits are told with all their partials; of more, only the one that pictures show."""
_STEADY = 1.5
"""A fall of less than so many cents is called none."""


@dataclass(frozen=True, slots=True)
class Answer:
    """Hits read, those of the recording they are compared with, and the head where its size was said."""

    hits: tuple[HitReading, ...]
    after: tuple[HitReading, ...]
    head: Head | None = None

    @property
    def changes(self) -> tuple[Change, ...]:
        """What happened to each partial between the two."""
        return compare(self.hits, self.after) if self.after else ()

    @property
    def advice(self) -> tuple[str, ...]:
        """Lines of advice; with a head, what a patch would do to each partial too."""
        forecast = () if self.head is None else forecast_lines(richest_of(self.hits), self.head)
        return (*advise(self.hits, self.changes, self.head), *forecast)

    @property
    def shown(self) -> HitReading:
        """The hit that pictures show: the loudest without a fault, else the loudest."""
        clean = [hit for hit in self.hits if not hit.faults] or list(self.hits)
        return max(clean, key=lambda hit: float(abs(hit.signal).max()))

    @property
    def shown_name(self) -> str:
        """Which of several hits is shown: its number and when it begins; empty where there is only one."""
        if len(self.hits) < 2:
            return ""
        shown = self.shown
        number = next(place for place, hit in enumerate(self.hits, 1) if hit is shown)
        return f"Hit {number} of {len(self.hits)}, at {shown.start_s:.2f} s"


def as_json(answer: Answer) -> str:
    """Whole answer as one JSON object."""
    return dumps(document(answer))


def document(answer: Answer) -> dict[str, Any]:
    """Whole answer as plain values, in the fixed names."""
    return {
        "hits": [_hit(hit) for hit in answer.hits],
        "bands": [
            {"centre_hz": number(band.centre_hz, 3), "t20_s": number(band.t20_s, 4), "valid": band.valid,
             "reason": band.reason}
            for band in band_summary(answer.hits)
        ],
        "summary": {name: _spread(value) for name, value in summary(answer.hits).items()} | {"hits": len(answer.hits)},
        "advice": list(answer.advice),
        "changes": [_change(change) for change in answer.changes],
    }  # fmt: skip


def _hit(hit: HitReading) -> dict[str, Any]:
    figures = {"edt": hit.figures.edt, "t20": hit.figures.t20, "t30": hit.figures.t30}
    name, off = hit.note or (None, None)
    return {
        "start_s": number(hit.start_s, 4),
        "settled_hz": number(hit.settled_hz, 3),
        "note": name,
        "cents": number(off, 2),
        "glide_cents": number(hit.glide_cents, 2),
        **{f"{key}_s": number(figure.value, 4) for key, figure in figures.items()},
        "valid": {key: figure.valid for key, figure in figures.items()},
        "reasons": {key: figure.reason for key, figure in figures.items() if figure.reason},
        "curvature_percent": number(hit.figures.curvature_percent, 2),
        "noise_floor_db": number(hit.decay.floor_db, 2),
        "partials": [_partial(partial) for partial in hit.partials],
        "beats": [_beat(beat) for beat in hit.beats],
        "faults": list(hit.faults),
    }


def _partial(partial: Partial) -> dict[str, Any]:
    m, n = partial.mode or (None, None)
    return {
        "frequency_hz": number(partial.frequency_hz, 4),
        "frequency_sd_hz": number(partial.frequency_sd_hz, 5),
        "level_db": number(partial.level_db, 2),
        "decay_s": number(partial.decay_s, 4),
        "decay_sd_s": number(partial.decay_sd_s, 5),
        "m": m,
        "n": n,
    }


def _beat(beat: Beat) -> dict[str, Any]:
    return {
        "low_hz": number(beat.low_hz, 3),
        "high_hz": number(beat.high_hz, 3),
        "rate_hz": number(beat.rate_hz, 3),
        "depth_db": number(beat.depth_db, 1),
        "audible": beat.audible,
        "cause": beat.cause,
    }


def _change(change: Change) -> dict[str, Any]:
    return {
        "frequency_hz": number(change.before_hz, 3),
        "moved_cents": number(change.moved_cents, 2),
        "decay_before_s": number(change.before_s, 4),
        "decay_after_s": number(change.after_s, 4),
        "percent": number(change.percent, 1),
        "sure": change.sure,
    }


def _spread(value: Spread | None) -> dict[str, Any] | None:
    if value is None:
        return None
    return {"median": number(value.median, 4), "spread": number(value.spread, 4), "hits": value.hits}


def text(answer: Answer) -> str:
    """The answer in words."""
    few = len(answer.hits) <= _IN_FULL
    parts = [_hit_text(hit, number, full=few or hit is answer.shown) for number, hit in enumerate(answer.hits, 1)]
    if len(answer.hits) > 1:
        parts.append(_summary_text(answer))
    parts.append(_bands_text(answer))
    parts.append("\n".join(f"- {line}" for line in answer.advice))
    return "\n\n".join(part for part in parts if part)


def _hit_text(hit: HitReading, number: int, *, full: bool) -> str:
    """One hit in words; its partials only in `full`."""
    rows = [f"Hit {number} at {hit.start_s:.2f} s: {_note_text(hit)}"]
    rows.append(
        "  " + ", ".join(_figure_text(name.upper(), getattr(hit.figures, name)) for name in ("edt", "t20", "t30"))
    )
    reasons = {f.reason for f in (hit.figures.edt, hit.figures.t20, hit.figures.t30) if f.reason}
    rows += [f"  not valid: {reason}" for reason in sorted(reasons)]
    if hit.partials and full:
        rows.append("  partial       level   decay time    mode")
        rows += [_partial_text(partial) for partial in hit.partials]
    rows += [f"  note: {fault}" for fault in hit.faults]
    return "\n".join(rows)


def _note_text(hit: HitReading) -> str:
    if hit.note is None or hit.glide_cents is None:
        return "no note"
    name, off = hit.note
    settles = f"settles at {hit.settled_hz:.1f} Hz, {name} {off:+z.0f} cents"
    if abs(hit.glide_cents) < _STEADY:
        return f"{settles}; steady"
    way = "falls" if hit.glide_cents >= 0 else "rises"
    return f"{settles}; {way} {abs(hit.glide_cents):.0f} cents to it"


def _figure_text(name: str, figure: Figure) -> str:
    if figure.value is None:
        return f"{name} -"
    return f"{name} {figure.value:.2f} s" + ("" if figure.valid else " (not valid)")


def _partial_text(partial: Partial) -> str:
    mode = f"({partial.mode[0]},{partial.mode[1]})" if partial.mode else "-"
    level = f"{partial.frequency_hz:7.1f} Hz {partial.level_db:z6.1f} dB"
    return f"  {level}   {partial.decay_s:5.2f} ± {partial.decay_sd_s:4.2f} s   {mode}"


def _summary_text(answer: Answer) -> str:
    names = {
        "settled_hz": ("settled pitch", "Hz", 1), "glide_cents": ("after-note", "cents", 0), "edt_s": ("EDT", "s", 2),
        "t20_s": ("T20", "s", 2), "t30_s": ("T30", "s", 2), "main_decay_s": ("main partial's decay", "s", 2),
    }  # fmt: skip
    rows = [f"Median of {len(answer.hits)} hits (spread):"]
    for key, value in summary(answer.hits).items():
        word, unit, digits = names[key]
        if value is not None:
            rows.append(f"  {word} {value.median:z.{digits}f} {unit} ({value.spread:.{digits}f}; {value.hits} hits)")
    return "\n".join(rows)


def _bands_text(answer: Answer) -> str:
    valid = [band for band in band_summary(answer.hits) if band.valid and band.t20_s is not None]
    if not valid:
        return ""
    return "T20 by band: " + ", ".join(f"{nominal(band.centre_hz):g} Hz {band.t20_s:.2f} s" for band in valid)
