"""Feed, earth and source faults of the simulated rig, found in the trace of a whole run."""

import pytest
from bench_runs import make_order, make_plan

from rig.analysis.drop import FeedCircuit, separate
from rig.analysis.model import Accuracy
from rig.analysis.sag_slope import coil_sag_ohm, sag_ohm
from rig.records.store import Store

TURNS = '[[step]]\nkind = "half_turns"\ncount = 4\npause_s = 0.4\n'
# The simulated rig: battery 20 mohm, leads 16, fuse 0.0676 ohm A / 10 A, shunt 5.
FEED_OHM, SOURCE_OHM = 0.02 + 0.016 + 0.00676 + 0.005, 0.02


@pytest.mark.parametrize(
    ("fault", "where"),
    [
        ((), []),
        (("fuse-holder-corroded=0.3",), ["fuse holder"]),
        (("poor-earth=0.3",), ["earth"]),
        (("weak-supply=0.3",), ["source"]),
    ],
)
def test_a_fault_of_the_feed_is_found_where_it_is(carry_out, fault, where):
    ran = carry_out(make_order(make_plan(TURNS), faults=fault, spread="0"))
    with Store.open(ran.records) as store:
        trace = store.trace(ran.ended.run_id, 1)
    accuracy = Accuracy()
    sag = sag_ohm(trace, accuracy)
    coil = coil_sag_ohm(trace, Accuracy(offset_u_a=0.0005), accuracy)
    extra = 0.3 if fault else 0.0
    in_feed = extra if where != ["earth"] else 0.0
    in_coil = extra if where != ["fuse holder"] else 0.0
    assert sag.value == pytest.approx(FEED_OHM + in_feed, abs=3 * sag.u)
    # The simulated coil follows the battery's sag in steps of 20 mV, here at 2.4 A.
    assert coil.value == pytest.approx(SOURCE_OHM + in_coil, abs=3 * coil.u + 0.02 / 2.4)
    report = separate(sag, coil, FeedCircuit(0.005, 10.0), 2.4)
    assert [suspect.where for suspect in report.suspects] == where


def test_a_run_on_from_the_first_moment_has_no_rest_to_tell_the_feed_by(carry_out):
    """Its cam is welded: what the inrush alone seemed to say was three times the truth."""
    faults = ("cam-welded", "weak-supply=0.3")
    ran = carry_out(make_order(make_plan(TURNS), faults=faults, spread="0"))
    with Store.open(ran.records) as store:
        trace = store.trace(ran.ended.run_id, 1)
    found = sag_ohm(trace, Accuracy())
    assert not found.known
    assert "no reading at rest" in found.missing
