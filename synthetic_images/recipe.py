"""The recipe: which distributions the renderer draws from, read from TOML so that a person can see and change them."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from vision.setup import InputError, Problem

KINDS = ("uniform", "loguniform", "normal", "beta", "fixed", "choice")
RECIPE_FILE = "recipe.toml"


@dataclass(frozen=True)
class Distribution:
    """One drawn quantity. Every kind but `choice` is held within [low, high]."""

    name: str
    kind: str
    low: float
    high: float
    mean: float
    spread: float  # standard deviation of `normal`
    shape: tuple[float, float]  # of `beta`
    names: tuple[str, ...]  # of `choice`
    weights: tuple[float, ...]
    unit: str
    reason: str


@dataclass(frozen=True)
class Recipe:
    """All distributions by dotted name, `good.toe_angle`."""

    entries: Mapping[str, Distribution]

    def draw(self, name: str, rng: np.random.Generator, size: int | tuple[int, ...] = 1) -> NDArray[np.float64]:
        """Return draws of a numeric quantity."""
        entry = self.entries[name]
        if entry.kind == "fixed":
            return np.full(size, entry.low)
        if entry.kind == "uniform":
            return rng.uniform(entry.low, entry.high, size)
        if entry.kind == "loguniform":
            return np.asarray(np.exp(rng.uniform(np.log(entry.low), np.log(entry.high), size)))
        if entry.kind == "beta":
            return entry.low + (entry.high - entry.low) * rng.beta(*entry.shape, size)
        return np.clip(rng.normal(entry.mean, entry.spread, size), entry.low, entry.high)

    def one(self, name: str, rng: np.random.Generator) -> float:
        """Return a single draw of a numeric quantity."""
        return float(self.draw(name, rng, 1)[0])

    def pick(self, name: str, rng: np.random.Generator, size: int = 1) -> list[str]:
        """Return draws of a `choice`."""
        entry = self.entries[name]
        weights = np.asarray(entry.weights)
        return [entry.names[i] for i in rng.choice(len(entry.names), size, p=weights / weights.sum())]

    def at(self, name: str, share: float) -> float:
        """Return the value this share of the way from low to high (for planned severities)."""
        entry = self.entries[name]
        if entry.kind == "loguniform":
            return float(entry.low * (entry.high / entry.low) ** share)
        return entry.low + (entry.high - entry.low) * share


@cache
def default_recipe() -> Recipe:
    """Return the recipe shipped with the package."""
    text = files("synthetic_images").joinpath("recipes/default.toml").read_text(encoding="utf-8")
    return Recipe(_entries(tomllib.loads(text), "recipes/default.toml", {}))


def read_recipe(path: Path | str) -> Recipe:
    """Read a recipe file that overrides some entries of the shipped one.

    Raises InputError with every problem found.
    """
    path = Path(path)
    try:
        data = tomllib.loads(path.read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise InputError([Problem(str(path), "", str(error), "a readable TOML file")]) from error
    return Recipe(_entries(data, str(path), default_recipe().entries))


def recipe_for(family_path: Path | str) -> Recipe:
    """Return the recipe of a family: the shipped one, overridden by recipe.toml beside family.toml where it exists."""
    path = Path(family_path)
    own = (path if path.is_dir() else path.parent) / RECIPE_FILE
    return read_recipe(own) if own.is_file() else default_recipe()


def _entries(data: Mapping[str, Any], file: str, base: Mapping[str, Distribution]) -> dict[str, Distribution]:
    entries = dict(base)
    problems: list[Problem] = []
    for group, table in data.items():
        if not isinstance(table, dict):
            problems.append(Problem(file, group, repr(table), "a table of quantities"))
            continue
        for name, value in table.items():
            key = f"{group}.{name}"
            if base and key not in base:
                problems.append(Problem(file, key, "an unknown quantity", "one that the shipped recipe lists"))
                continue
            entry = _entry(key, value, file, problems)
            if entry is not None:
                entries[key] = entry
    if problems:
        raise InputError(problems)
    return entries


def _entry(key: str, value: Any, file: str, problems: list[Problem]) -> Distribution | None:
    known = {"kind", "low", "high", "mean", "spread", "shape", "names", "weights", "value", "unit", "reason"}
    before = len(problems)
    if not isinstance(value, dict) or value.get("kind") not in KINDS:
        problems.append(Problem(file, key, repr(value)[:60], f"a table with kind = one of {', '.join(KINDS)}"))
        return None
    problems += [Problem(file, f"{key}.{word}", "an unknown key", ", ".join(sorted(known)))
                 for word in value if word not in known]
    if not value.get("reason"):
        problems.append(Problem(file, f"{key}.reason", "nothing", "a sentence that says why"))
    if value["kind"] == "choice":
        names, weights = value.get("names", []), value.get("weights", [])
        if not names or len(names) != len(weights) or any(w < 0 for w in weights) or sum(weights) <= 0:
            problems.append(Problem(file, key, f"{len(names)} names, weights {weights}", "a weight for every name"))
        low = high = 0.0
    else:
        names, weights = [], []
        given = [value.get("value", value.get(end)) for end in ("low", "high")]
        low, high = (float(v) if isinstance(v, int | float) else float("nan") for v in given)
        if not low <= high:
            problems.append(Problem(file, key, f"low {given[0]}, high {given[1]}", "two numbers, the smaller first"))
        elif value["kind"] == "loguniform" and low <= 0:
            problems.append(Problem(file, key, f"low {low:g}", "a number above 0 for loguniform"))
    if len(problems) > before:
        return None
    shape = value.get("shape", [2.0, 2.0])
    return Distribution(key, value["kind"], low, high, float(value.get("mean", (low + high) / 2)),
                        float(value.get("spread", (high - low) / 4)), (float(shape[0]), float(shape[1])),
                        tuple(names), tuple(float(w) for w in weights), value.get("unit", ""), value["reason"])
