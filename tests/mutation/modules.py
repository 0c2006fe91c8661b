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
    "inspections.rules.conformity": (
        "test_conformity", "test_conformity_edges", "test_conformity_risk", "test_verdict_rules",
    ),
    "inspections.rules.verdicts": VERDICTS,
    "inspections.rules.verdict_basis": (
        "test_verdict_basis", "test_verdict_rules", "test_verdicts",
    ),
    "inspections.rules.verdict_words": (
        "test_verdict_words", "test_verdict_sentences", "test_verdicts", "test_verdict_rules",
        "test_verdict_basis",
    ),
    "inspections.rules.intervals": ("test_intervals", "test_verdicts"),
    "inspections.rules.leaves": ("test_leaves", "test_nextleaf"),
    "inspections.rules.leafsearch": LEAVES,
    "inspections.rules.nextleaf": (
        "test_nextleaf_words", "test_nextleaf", "test_nextleaf_search", "test_leafplan",
    ),
    "inspections.rules.leafplan": ("test_leafplan",),
    "inspections.rules.trendprior": ("test_trendprior", "test_nextleaf"),
    "inspections.rules.uncertainty": ("test_uncertainty",),
    "inspections.rules.leakage": LEAKS,
    "inspections.rules.leakage_words": ("test_leakage_words",),
    "inspections.rules.viscosity": ("test_viscosity", "test_leakage_words"),
    "inspections.rules.quantities": ("test_leakage_words",),
    "inspections.rules.repeatability": ("test_repeatability", "test_study_sentences"),
    "inspections.rules.agreement": ("test_agreement",),
    "inspections.rules.studyplan": ("test_studyplan", "test_repeatability"),
    "fleet.decisions": ("test_decisions", "test_conformity"),
    "fleet.units": ("test_units", "test_limits"),
    "fleet.limits": ("test_limits", "test_limit_sentences", "test_verdicts"),
    "fleet.leaks": ("test_leak_paths",),
    "fleet.lines_together": ("test_limits", "test_limit_sentences"),
    "inspections.rules.causes": ("test_causes", "test_cause_signs"),
    "inspections.rules.cause_checks": ("test_cause_signs", "test_causes"),
    "inspections.rules.findings": ("test_findings", "test_dispositions", "test_causes"),
    "inspections.rules.dispositions": ("test_disposition_reasons", "test_dispositions"),
}  # fmt: skip
