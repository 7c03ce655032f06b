"""A fill over the kit on its notes, as a WAV: each drum by its own coupled modes."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from drumtune.advice.kit_range import Setting, Voice
    from drumtune.cli.kit_job import KitJob

RATE = 48000.0
BEAT = 0.16
"""Time from stroke to stroke, s."""
TAIL = 2.5
STICK_DB, GLIDE_CENTS = -26.0, 15.0
"""Noise of the stick against the peak of its hit, dB; rise of the pitch at the start, cents."""
LEVEL = 0.7
"""Peak of the file, full scale 1."""
STROKES = 4
"""Strokes on each drum."""


def render(job: KitJob, path: Path) -> None:
    """Write a fill: four strokes on each drum, highest note first, the bass drum's last.

    Raises
    ------
    DrumtuneError
        If the file cannot be written.
    """
    import numpy as np

    from drumtune.audio import write_wav

    order = sorted(range(len(job.voices)), key=lambda i: (job.voices[i].stand.role == "bass", -job.settings[i].note))
    count = round((TAIL + BEAT * STROKES * len(order)) * RATE)
    sound = np.zeros(count)
    for turn, place in enumerate(order):
        hit = stroke(job.voices[place], job.settings[place])
        for beat in range(STROKES):
            start = round((turn * STROKES + beat) * BEAT * RATE)
            strength = 1.0 if beat == 0 else 0.7
            sound[start : start + hit.size] += strength * hit[: count - start]
    write_wav(path, LEVEL / float(np.abs(sound).max()) * sound, RATE)


def stroke(voice: Voice, setting: Setting) -> NDArray:  # type: ignore[type-arg]
    """One stroke near the middle of a drum's top head, peak 1, `TAIL` s long."""
    import numpy as np

    from drumtune.physics import whole_hit

    bottom = setting.bottom_tension or setting.top_tension  # of a shell open below it is not used
    lines = whole_hit.lines(voice.shell, setting.top_tension, bottom, ceiling=min(whole_hit.CEILING, 0.45 * RATE))
    stroke = whole_hit.Stroke(glide_cents=GLIDE_CENTS, noise_db=STICK_DB)
    sound = whole_hit.sound(lines, round(TAIL * RATE), RATE, stroke)
    return np.asarray(sound / np.abs(sound).max())
