"""One table of the verdicts: every word stands in it and in what is drawn from it."""

from probe.render.styles import PAGE, TERMINAL
from probe.verdict.verdicts import BELOW_CAPABILITY, WORST_FIRST, Verdict


def test_every_word_has_its_place() -> None:
    assert set(WORST_FIRST) == set(Verdict) == set(TERMINAL) == set(PAGE)
    assert sorted(Verdict, key=lambda word: word.rank) == list(WORST_FIRST)
    assert all(word.meaning for word in Verdict)


def test_findings_are_the_worst_and_never_among_those_that_only_strict_counts() -> None:
    assert set(WORST_FIRST[: len(BELOW_CAPABILITY)]) == BELOW_CAPABILITY == {Verdict.DOWNTRAINED, Verdict.CAPPED}
    assert {word for word in Verdict if word.strict} == {Verdict.LIMITED, Verdict.RESTING, Verdict.UNJUDGED}
