"""Rooms against printed tables, laws, and an image-source model made by others."""

import math
import warnings

import numpy as np
import pytest

from drumtune.drum import Air
from drumtune.physics import room as rooms
from drumtune.physics import room_response as response
from drumtune.physics.room import Room

STUDIO = Room((6.0, 4.5, 2.8), reverberation=((500.0, 0.5),))
HARD = Room((6.0, 4.5, 2.8), absorption=(0.15,) * 6)
DRUM, MIC = (1.3, 0.9, 0.6), (4.1, 3.2, 1.4)
PEAK_TOLERANCE = 0.01  # of frequency, asked for by the job
LEVEL_TOLERANCE = 3.0  # dB, asked for by the job


def test_modes_of_the_printed_room():
    """M. Long, Architectural Acoustics, 2nd ed., Table 8.1: 7 x 5 x 3 m; at 344 m/s, which fits its first line."""
    found = rooms.modes(Room((7.0, 5.0, 3.0), reverberation=((500.0, 1.0),), air=Air(sound_speed=344.0)), 61.0)
    expected = [24.6, 34.5, 42.4, 49.2, 57.4, 60.1]
    assert found.frequency[: len(expected)] == pytest.approx(expected, abs=0.13)


def test_kinds_follow_the_number_of_directions():
    """Axial, tangential, oblique: one, two, three numbers that are not zero (definition)."""
    found = rooms.modes(STUDIO, 80.0)
    words = dict(zip(map(tuple, found.n.tolist()), found.kind, strict=True))
    assert words[1, 0, 0] == "axial"
    assert words[1, 1, 0] == "tangential"
    assert words[1, 1, 1] == "oblique"
    assert np.all(np.diff(found.frequency) >= 0.0)


def test_schroeder_frequency_of_the_printed_example():
    """Kuttruff 6e, eq. 3.44: V 200 m3, T 1 s, 2000 sqrt(1/200) = 141.42 Hz."""
    assert rooms.schroeder_frequency(1.0, 200.0) == pytest.approx(141.42, abs=0.005)


def test_schroeder_frequency_uses_the_decay_that_holds_there():
    """Fixed point: f = 2000 sqrt(T(f)/V)."""
    room = Room((6.0, 4.5, 2.8), reverberation=((63.0, 1.2), (125.0, 0.8), (250.0, 0.5), (500.0, 0.4)))
    limit = rooms.schroeder_of(room)
    assert rooms.schroeder_frequency(rooms.reverberation_at(room, limit), room.volume) == pytest.approx(limit, rel=1e-6)


def test_sabine_is_the_usual_constant():
    """0.161 V/A at 20 C (ISO 354: 55.3/c)."""
    assert rooms.sabine(HARD) == pytest.approx(0.161 * HARD.volume / (0.15 * HARD.surface), rel=2e-3)


def test_eyring_meets_sabine_where_little_is_absorbed():
    """The two differ by half the absorption to first order."""
    quiet = Room((6.0, 4.5, 2.8), absorption=(0.01,) * 6)
    assert rooms.eyring(quiet) == pytest.approx(rooms.sabine(quiet) * (1.0 - 0.005), rel=1e-4)


def test_modes_die_as_eyring_says_on_the_average():
    """Averaging the bounces over all directions gives Eyring's rate; 3 % for the walls modes graze."""
    found = rooms.modes(Room((6.0, 4.5, 2.8), absorption=(0.05,) * 6), 1200.0)
    high = found.rate[found.frequency > 600.0]
    expected = 3.0 * math.log(10.0) / rooms.eyring(Room((6.0, 4.5, 2.8), absorption=(0.05,) * 6))
    assert high.mean() == pytest.approx(expected, rel=0.03)


def test_the_count_formula_counts():
    """Kuttruff 6e, eq. 3.20 is the smoothed count: within 2 % of counting at 500 Hz."""
    assert rooms.modes(STUDIO, 500.0).frequency.size == pytest.approx(float(rooms.mode_count(STUDIO, 500.0)), rel=0.02)


def test_response_is_the_same_both_ways():
    """Reciprocity."""
    f = np.linspace(20.0, 250.0, 40)
    assert response.transfer(STUDIO, f, DRUM, MIC) == pytest.approx(response.transfer(STUDIO, f, MIC, DRUM), rel=1e-9)


MEASURED = Room((6.0, 4.5, 2.8), reverberation=((63.0, 1.0), (125.0, 0.7), (500.0, 0.4)))


@pytest.mark.parametrize(("room", "exact"), [(STUDIO, 1e-5), (MEASURED, 1e-4), (HARD, 1e-4)])
def test_response_does_not_depend_on_where_the_sum_is_split(room, exact):
    """Ewald's split is exact where all modes lose alike; elsewhere modes past the last one differ, by k_n^-4."""
    f = np.linspace(20.0, 200.0, 50) + 0.37
    tapers = (response.default_taper(room, 201.0), 1.9, 2.6)
    found = [response.split_transfer(room, f, DRUM, MIC, taper=taper) for taper in tapers]
    for other in found[1:]:
        assert np.abs(found[0] - other).max() < exact * np.abs(found[0]).max()


def test_near_the_source_the_walls_do_not_matter():
    """1/(4 pi r) close to a source, any room."""
    near = (DRUM[0] + 0.02, DRUM[1], DRUM[2])
    found = np.abs(response.transfer(STUDIO, [150.0], DRUM, near))
    assert found == pytest.approx(1.0 / (4.0 * math.pi * 0.02), rel=0.03)


def test_well_above_the_schroeder_frequency_the_room_is_diffuse():
    """Direct and later field (Barron & Lee 1988) on the average over 60 pairs of places, 500-560 Hz: 1 dB."""
    rng = np.random.default_rng(6)
    f = np.linspace(500.0, 560.0, 12)
    ratios = []
    for _ in range(60):
        a, b = rng.uniform(0.0, 1.0, (2, 3)) * np.array(STUDIO.size)
        power = np.abs(response.transfer(STUDIO, f, tuple(a), tuple(b))) ** 2
        ratios.append(float((power / response.diffuse_level(STUDIO, f, float(np.linalg.norm(a - b)))).mean()))
    assert abs(10.0 * math.log10(np.mean(ratios))) < 1.0


def test_the_mean_level_of_waves_of_random_phase():
    """Monte Carlo over 2 10^5 sums of a direct wave and complex Gaussian waves; 0.05 dB of chance."""
    rng = np.random.default_rng(1)
    for distance in (0.5, 1.5, 4.0):
        whole = float(response.diffuse_level(STUDIO, 200.0, distance))
        direct = 1.0 / (4.0 * math.pi * distance)
        waves = rng.standard_normal((2, 200_000)) * math.sqrt((whole - direct**2) / 2.0)
        level = 10.0 * np.log10((direct + waves[0]) ** 2 + waves[1] ** 2).mean()
        assert 10.0 * math.log10(response.typical_level(STUDIO, 200.0, distance)) == pytest.approx(level, abs=0.05)


def test_the_whole_field_goes_with_the_density_of_modes():
    """1/(pi A) counts the volume's modes alone; the walls' and edges' modes add as much as they add to the density."""
    f = np.linspace(500.0, 560.0, 60)
    found = np.mean(response.mean_square(STUDIO, f) / response.diffuse_level(STUDIO, f, None))
    volume_alone = 4.0 * np.pi * STUDIO.volume * 530.0**2 / 343.2**3
    density = float(np.diff(rooms.mode_count(STUDIO, [529.5, 530.5]))[0])
    assert found == pytest.approx(density / volume_alone, rel=0.03)


def test_mean_square_is_the_mean_over_places():
    """Monte Carlo over 400 pairs of places at frequencies on and between modes; 15 % of statistical error."""
    rng = np.random.default_rng(7)
    f = np.array([28.6, 33.0, 47.7, 60.0])
    total = np.zeros(f.size)
    for _ in range(400):
        a, b = rng.uniform(0.0, 1.0, (2, 3)) * np.array(STUDIO.size)
        total += np.minimum(np.abs(response.transfer(STUDIO, f, tuple(a), tuple(b))), 1.0) ** 2 / 400.0
    assert response.mean_square(STUDIO, f) == pytest.approx(total, rel=0.15)


@pytest.mark.parametrize(
    ("size", "absorbed", "drum", "mic"),
    [
        ((6.0, 4.5, 2.8), 0.15, DRUM, MIC),
        ((7.0, 5.0, 3.0), 0.10, (0.2, 0.3, 0.1), (6.8, 4.8, 2.9)),
        ((5.2, 3.9, 2.5), 0.25, (2.0, 1.5, 0.5), (3.1, 2.2, 1.6)),
    ],
)
def test_response_meets_the_image_source_model(size, absorbed, drum, mic):
    """pyroomacoustics' image-source model, same walls: peaks within 1 %, levels within 3 dB at every mode.

    Up to the Schroeder frequency. Only peaks that stand 1 dB out of the curve are matched.
    """
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # the library's own import warns on some systems
        acoustics = pytest.importorskip("pyroomacoustics", reason="needs pyroomacoustics, of the extra `reference`")
    from scipy.signal import find_peaks

    rate = 4000
    box = acoustics.ShoeBox(size, fs=rate, materials=acoustics.Material(absorbed), max_order=70, air_absorption=False)
    box.set_sound_speed(343.2)
    box.add_source(drum)
    box.add_microphone(mic)
    acoustics.constants.set("rir_hpf_enable", False)  # its 10 Hz high-pass is no wall
    try:
        box.compute_rir()
    finally:
        acoustics.constants.set("rir_hpf_enable", True)
    room = Room(size, absorption=(absorbed,) * 6)
    limit = rooms.schroeder_of(room)
    f = np.fft.rfftfreq(1 << 16, 1.0 / rate)
    kept = (f > 15.0) & (f < limit)
    theirs = 20.0 * np.log10(np.abs(np.fft.rfft(box.rir[0][0], 1 << 16)[kept]) / (4.0 * np.pi))
    f = f[kept]
    ours = 20.0 * np.log10(np.abs(response.transfer(room, f, drum, mic)))
    at_modes = np.abs(f[:, None] - rooms.modes(room, limit).frequency).argmin(axis=0)
    assert np.abs(theirs - ours)[at_modes].max() < LEVEL_TOLERANCE
    peaks, ours_peaks = find_peaks(theirs, prominence=1.0)[0], find_peaks(ours)[0]
    assert peaks.size >= 5
    for peak in peaks:
        nearest = ours_peaks[np.abs(f[ours_peaks] - f[peak]).argmin()]
        assert f[nearest] == pytest.approx(f[peak], rel=PEAK_TOLERANCE)
        assert ours[nearest] == pytest.approx(theirs[peak], abs=LEVEL_TOLERANCE)


@pytest.mark.parametrize(
    ("fields", "words"),
    [
        ({"size": (6.0, 4.5, 0.0), "reverberation": ((500.0, 0.5),)}, "three sizes over zero"),
        ({"size": (6.0, 4.5, 2.8)}, "give one of them"),
        ({"size": (6.0, 4.5, 2.8), "absorption": (0.1,) * 5}, "six walls"),
        ({"size": (6.0, 4.5, 2.8), "reverberation": ((500.0, -1.0),)}, "over zero"),
    ],
)
def test_what_is_no_room_is_refused(fields, words):
    with pytest.raises(ValueError, match=words):
        Room(**fields)


def test_places_outside_and_on_top_of_each_other_are_refused():
    with pytest.raises(ValueError, match="outside the room"):
        response.transfer(STUDIO, [100.0], (7.0, 1.0, 1.0), MIC)
    with pytest.raises(ValueError, match="at one place"):
        response.transfer(STUDIO, [100.0], MIC, MIC)
    with pytest.raises(ValueError, match="positive"):
        response.transfer(STUDIO, [0.0], DRUM, MIC)
    with pytest.raises(ValueError, match="not known"):
        rooms.sabine(STUDIO)
    with pytest.raises(ValueError, match="positive"):
        rooms.modes(STUDIO, 0.0)
