"""Good studies and what a slip of the decimal mark makes of their readings.

``python tests/plausible_cases.py`` prints the numbers that `doe.plausible.question` states.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial

import numpy as np
import pandas as pd

from doe.plausible import question
from doe.responses import Response

KINDS = ("log scale", "as measured", "count", "share", "grade")
SLIPS = (0.01, 0.1, 10.0, 100.0)


def signals(rng: np.random.Generator) -> np.ndarray:
    """Noise-free runs of a plan in 3 to 5 factors, in run-to-run standard deviations."""
    runs, factors = int(rng.choice([8, 11, 12, 16, 19, 28])), int(rng.choice([3, 4, 5]))
    x = rng.choice([-1, 0, 1], size=(runs, factors), p=[0.4, 0.2, 0.4])
    main = (rng.exponential(rng.choice([1, 3, 6]), factors) * (rng.random(factors) < 0.6)
            * rng.choice([-1, 1], factors))
    y = x @ main
    for i in range(factors):
        for j in range(i, factors):
            if rng.random() < 0.25:
                y = y + x[:, i] * x[:, j] * rng.normal() * np.sqrt(abs(main[i] * main[j]))
    return y


def study(kind: str, rng: np.random.Generator) -> tuple[Response, np.ndarray] | None:
    """A response and its readings in run order; None where the draw suits no such response."""
    y = signals(rng)
    relative = float(rng.choice([0.02, 0.05, 0.1]))
    noisy = y + rng.normal(size=len(y))
    if kind == "log scale":
        return (Response("r", scale="log", possible=(0, None), assumed_sd=relative),
                0.5 * np.exp(relative * noisy))
    if kind == "as measured":
        return (None if (noisy * relative <= -1).any() else
                (Response("r", possible=(0, None), assumed_sd=50 * relative),
                 50 * (1 + relative * noisy)))
    if kind == "count":
        mean = float(rng.choice([5, 20, 80]))
        return Response("r", kind="count"), rng.poisson(mean * np.exp(relative * y)).astype(float)
    if kind == "share":
        p = 1 / (1 + np.exp(-relative * y - rng.choice([-2, 0, 2])))
        return (Response("r", unit="%", kind="proportion", trials=50),
                rng.binomial(50, p) / 50 * 100)
    latent = 4 + relative * 6 * noisy
    return (Response("r", kind="ordinal", grades=tuple("abcdefg")),
            np.clip(np.round(latent), 1, 7))


def rates(kind: str, studies: int, seed: int) -> dict[object, float]:
    """Share of readings asked about: as they are ("right"), and after each slip."""
    rng = np.random.default_rng(seed)
    asked, told = {}, {}
    for drawn in filter(None, (study(kind, rng) for _ in range(studies))):
        for name, hit in judged(*drawn):
            asked[name] = asked.get(name, 0) + hit
            told[name] = told.get(name, 0) + 1
    return {name: asked[name] / told[name] for name in told}


def judged(response: Response, readings: np.ndarray) -> Iterator[tuple[object, bool]]:
    """Every reading against those before it; slips from the fourth reading on."""
    for i, value in enumerate(readings):
        ask = partial(question, response, others=readings[:i])
        yield "right", bool(ask(value))
        if i >= 3 and value > 0:
            for slip in SLIPS:
                wrong = value * slip
                if response.kind in ("count", "ordinal"):
                    wrong = round(wrong)
                if response.kind != "proportion" or wrong <= response.whole:
                    yield slip, bool(ask(wrong))


if __name__ == "__main__":
    print(pd.DataFrame({k: rates(k, 600, 1) for k in KINDS}).T.round(4).to_string())
