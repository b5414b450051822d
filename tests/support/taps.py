"""Recordings of taps as a phone might make them: decaying modes, a click, noise of a room, mains hum, clipping."""

import numpy as np

RATE = 44100.0


def recording(
    hertz, *, taps=3, lead=0.8, gap=1.6, damping=0.004, noise=0.003, hum=0.0, loudness=0.25, seed=1, phone=True
):
    """(n,) samples, -1 to 1.  hertz: of the modes, each struck with a chance strength; phone: bass is lost below 60 Hz.

    damping: share of the critical.  noise, hum: of full scale.  loudness: of the loudest sample; over 1 it is clipped.
    """
    random = np.random.default_rng(seed)
    hertz = np.sort(np.asarray(hertz, float))
    t = np.arange(int(gap * RATE)) / RATE
    parts = [np.zeros(int(lead * RATE))]
    for _ in range(taps):
        strength = random.uniform(0.3, 1.0, len(hertz))
        if phone:
            strength = strength / (1 + (60 / hertz) ** 4)
        phase = random.uniform(0, 2 * np.pi, len(hertz))
        ring = sum(
            a * np.exp(-2 * np.pi * f * damping * t) * np.sin(2 * np.pi * f * t + p)
            for f, a, p in zip(hertz, strength, phase, strict=True)
        )
        parts.append(ring + 2 * np.exp(-t / 0.0008) * random.normal(size=len(t)))
    samples = np.concatenate(parts)
    samples *= loudness / np.abs(samples).max()
    walk = np.cumsum(random.normal(size=len(samples)))
    rumble = walk - np.convolve(walk, np.ones(400) / 400, "same")
    samples += noise * (random.normal(size=len(samples)) + rumble / rumble.std())
    t = np.arange(len(samples)) / RATE
    for order, share in ((1, 1.0), (2, 0.5), (3, 0.3)):
        samples += hum * share * np.sin(2 * np.pi * 50 * order * t + order)
    return np.clip(samples, -1, 1)
