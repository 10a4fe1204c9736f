"""What cancels is found in the budget by name."""

from __future__ import annotations

import dataclasses

from timingcam.reckoning.budget import Sources, budget
from timingcam.reckoning.shared_doubt import INDEX_HEIGHT, MARKS_OWN, OF_THE_SETUP


def test_every_source_that_may_cancel_is_a_systematic_row_of_the_budget() -> None:
    rows = budget(Sources(**{field.name: 1.0 for field in dataclasses.fields(Sources)}))
    systematic = {row.source for row in rows if row.kind == "systematic"}
    assert {MARKS_OWN, INDEX_HEIGHT, *OF_THE_SETUP} <= systematic
