"""Whole hits of `drumtune synth`: from its options to a recipe, checked once, in SI units."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from drumtune.advice.whole_take import Recipe
    from drumtune.drum import Head
    from drumtune.physics.room import Place, Room


@dataclass(frozen=True, slots=True)
class Asked:
    """Options as typed: shell depth (in), bottom film (mil) and offset (semitones), hits, glide, noise, room, seed."""

    depth_in: float
    bottom_film_mil: float
    bottom_semitones: float
    hits: int
    glide_cents: float
    stick_db: float
    snr_db: float
    seed: int
    room_m: str | None = None
    room_t60_s: float = 0.6
    drum_at: str | None = None
    mic_at: str | None = None


def recipe(head: Head, pitch: float, asked: Asked) -> Recipe:
    """Return what is to be played on a drum with this top head, its rods' pitch (Hz) heard with the bottom muted.

    Raises
    ------
    DrumtuneError
        If no drum is so built or tuned, or an option is out of its limits.
    """
    from drumtune.advice import pair, whole_take
    from drumtune.drum import INCH, Head
    from drumtune.errors import StandError
    from drumtune.physics.two_heads import TwoHeads
    from drumtune.physics.whole_hit import Stroke

    _check(asked)
    bottom = Head.of_film(head.radius, asked.bottom_film_mil)
    tuning = pair.tune(TwoHeads(head, bottom, asked.depth_in * INCH), pitch)
    if not pair.scan(tuning, [asked.bottom_semitones]).usable[0]:
        raise StandError(
            f"no bottom head can stand {asked.bottom_semitones:+g} semitones from {pitch:.4g} Hz here: "
            "check --bottom-semitones"
        )
    room, places = _room(asked)
    return whole_take.Recipe(
        tuning,
        asked.bottom_semitones,
        asked.hits,
        stroke=Stroke(asked.glide_cents, asked.stick_db, seed=asked.seed),
        snr_db=asked.snr_db,
        room=room,
        places=places,
    )


def _room(asked: Asked) -> tuple[Room | None, tuple[Place, Place] | None]:
    """The room and the places in it; without places the drum stands off one corner and the microphone off another."""
    from drumtune.cli import room_options
    from drumtune.physics.room import Room

    if asked.room_m is None:
        return None, None
    size = room_options.parse_size(asked.room_m)
    where = tuple(
        room_options.place(text, option, size)
        for text, option in ((asked.drum_at, "--drum-at"), (asked.mic_at, "--mic-at"))
    )
    room_options.both((where[0], where[1]))
    first = where[0] or (0.3 * size[0], 0.35 * size[1], 0.3 * size[2])
    second = where[1] or (0.7 * size[0], 0.6 * size[1], 0.5 * size[2])
    return Room(size, ((500.0, asked.room_t60_s),)), (first, second)


def _check(asked: Asked) -> None:
    """Refuse what cannot be played.

    Raises
    ------
    StandError
        Naming option, rule and value.
    """
    from drumtune.errors import StandError

    rules = (
        ("--depth-in", asked.depth_in, 1.0, 40.0),
        ("--bottom-film-mil", asked.bottom_film_mil, 0.8, 30.0),
        ("--bottom-semitones", asked.bottom_semitones, -24.0, 24.0),
        ("--hits", asked.hits, 1, 50),
        ("--glide-cents", asked.glide_cents, 0.0, 200.0),
        ("--stick-db", asked.stick_db, -80.0, 0.0),
        ("--snr-db", asked.snr_db, 0.0, 120.0),
        ("--room-t60-s", asked.room_t60_s, 0.05, 10.0),
        ("--seed", asked.seed, 0, 2**63 - 1),
    )
    for name, value, least, most in rules:
        if not least <= value <= most:
            raise StandError(f"{name} lies in {least:g} to {most:g}, got {value:g}")
