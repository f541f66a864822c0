"""Errors arrive from worker processes as they were raised."""

from __future__ import annotations

from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context

import pytest

from models.errors import InputError, Problem

PROBLEMS = (Problem("joints.csv", "row 7, hole_mm", "-1", "more than 0"), Problem("joints.csv", "", "no rows", "some"))


def refuse() -> None:
    raise InputError(PROBLEMS, then="mend the file")


def test_all_problems_of_a_file_arrive_from_a_worker() -> None:
    with ProcessPoolExecutor(1, mp_context=get_context("spawn")) as workers:
        found = workers.submit(refuse).exception()
    assert isinstance(found, InputError)
    assert (found.problems, found.then) == (PROBLEMS, "mend the file")
    with pytest.raises(InputError) as raised:
        refuse()
    assert str(found) == str(raised.value)
