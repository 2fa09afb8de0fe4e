"""A plan as plain values."""

from __future__ import annotations

import json

import numpy as np

from planner.optimise.release.report import lines, plan_as_dict, site_table
from planner.optimise.release.solve import plan_release
from tests.optimise.release.instances import plain, programme


def test_plan_as_dict__is_json_and_adds_up() -> None:
    data = programme(2, n_families=16, n_fish=900)
    plan = plan_release(data)
    assert plan.numbers is not None
    found = json.loads(json.dumps(plan_as_dict(data, plan)))
    assert found["status"] == "proven"
    assert sum(line["number"] for line in found["lines"]) == plan.numbers.sum()
    assert sum(row["number"] for row in found["kept_back"]) == (
        data.groups.available.sum() - plan.numbers.sum()
    )
    assert len(found["measures"]["sites"]) == data.n_sites
    assert found["settings"]["survivors_share"] == 0.95
    assert found["breaches"] == []
    table = site_table(data, plan)
    np.testing.assert_array_equal(np.sum(table["sent"], axis=0), plan.numbers.sum(axis=0))


def test_plan_as_dict__without_a_plan_holds_no_numbers() -> None:
    data = plain(settings={"total_min": 99})
    plan = plan_release(data)
    found = json.loads(json.dumps(plan_as_dict(data, plan)))
    assert found["status"] == "infeasible"
    assert found["lines"] == []
    assert found["measures"] is None
    assert found["objective"] is None
    assert found["conflicts"]["rules"][0]["code"] == "release-total"
    assert lines(data, plan) == []
    assert site_table(data, plan)["sent"] == []
