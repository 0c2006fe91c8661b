"""Which modules are measured, and the test files that answer for each."""

from __future__ import annotations

VERDICTS = (
    "test_verdicts", "test_verdict_rules", "test_verdict_basis", "test_verdict_words",
    "test_verdict_sentences", "test_conformity",
)  # fmt: skip
LEAVES = (
    "test_leaves", "test_leafsearch", "test_nextleaf", "test_nextleaf_search", "test_leafplan",
)  # fmt: skip
LEAKS = ("test_leak_flow", "test_leakage", "test_leakage_words")

TESTS_OF: dict[str, tuple[str, ...]] = {
    "inspections.conformity": (
        "test_conformity", "test_conformity_edges", "test_conformity_risk", "test_verdict_rules",
    ),
    "inspections.verdicts": VERDICTS,
    "inspections.verdict_basis": ("test_verdict_basis", "test_verdict_rules", "test_verdicts"),
    "inspections.verdict_words": (
        "test_verdict_words", "test_verdict_sentences", "test_verdicts", "test_verdict_rules",
        "test_verdict_basis",
    ),
    "inspections.intervals": ("test_intervals", "test_verdicts"),
    "inspections.leaves": ("test_leaves", "test_nextleaf"),
    "inspections.leafsearch": LEAVES,
    "inspections.nextleaf": (
        "test_nextleaf_words", "test_nextleaf", "test_nextleaf_search", "test_leafplan",
    ),
    "inspections.leafplan": ("test_leafplan",),
    "inspections.trendprior": ("test_trendprior", "test_nextleaf"),
    "inspections.uncertainty": ("test_uncertainty",),
    "inspections.leakage": LEAKS,
    "inspections.leakage_words": ("test_leakage_words",),
    "inspections.viscosity": ("test_viscosity", "test_leakage_words"),
    "inspections.quantities": ("test_leakage_words",),
    "inspections.repeatability": ("test_repeatability", "test_study_sentences"),
    "inspections.agreement": ("test_agreement",),
    "inspections.studyplan": ("test_studyplan", "test_repeatability"),
    "fleet.decisions": ("test_decisions", "test_conformity"),
    "fleet.units": ("test_units", "test_limits"),
    "fleet.limits": ("test_limits", "test_limit_sentences", "test_verdicts"),
    "fleet.leaks": ("test_leak_paths",),
    "fleet.lines_together": ("test_limits", "test_limit_sentences"),
    "inspections.causes": ("test_causes", "test_cause_signs"),
    "inspections.cause_checks": ("test_cause_signs", "test_causes"),
    "inspections.findings": ("test_findings", "test_dispositions", "test_causes"),
    "inspections.dispositions": ("test_disposition_reasons", "test_dispositions"),
}  # fmt: skip

# This measures processor time, and a busy machine is no fault of a change.
DESELECTED = (
    "tests/pure/test_leafplan.py::test_a_table_for_28_leaves_is_small_enough_to_go_with_the_card",
)
