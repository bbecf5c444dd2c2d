"""
The terms that a report uses, in plain words.

Where ISO 3534-3 (design of experiments), ISO 3534-1 (general statistical terms) or ISO/ASTM 52900 (additive manufacturing) have a
term its meaning here is theirs, from memory and in words of our own; the others are those of this report. Only terms that occur
are shown.
"""

import re
from collections.abc import Iterable

from doe.report.tables import Table

_TERMS: tuple[tuple[str, str, str], ...] = (
    (
        "AICc", r"AICc",
        "A figure for comparing models of the same values: the lower, the better a model is expected to predict. It "
        "charges for every coefficient, more so with few prints.",
    ),
    (
        "aliases", r"alias",
        "Effects that a plan cannot tell apart: the prints show their sum.",
    ),
    (
        "amendment", r"amendment",
        "A change of the protocol after it was locked, with its reason and its date.",
    ),
    (
        "bound of the conformance", r"\bbound\b",
        "The share that the conformance reaches at least, with the confidence stated.",
    ),
    (
        "coded units", r"\bcoded\b",
        "A factor's scale on which the low end of its range is −1 and the high end +1.",
    ),
    (
        "coefficient", r"coefficient",
        "The number by which a term of the model is multiplied.",
    ),
    (
        "confidence interval", r"confidence interval",
        "A range made by a method that holds the true value in the stated share of studies like this one.",
    ),
    (
        "confirmation", r"confirmation",
        "New prints of a recommended setting on new drying loads, judged by rules that were fixed before.",
    ),
    (
        "conformance", r"conformance",
        "The share of future prints, on new loads, in which every measured requirement is met, given that the print "
        "completes.",
    ),
    (
        "coupon", r"coupon",
        "A test specimen that a print gives; one print gives several, which share its settings.",
    ),
    (
        "degrees of freedom", r"degrees of freedom",
        "How many independent comparisons a variance rests on: the more, the better it is known.",
    ),
    (
        "desirability", r"desirability",
        "What a predicted mean is worth by the aims, from 0 (worthless) to 1 (perfect).",
    ),
    (
        "drying load", r"drying load|\bloads?\b",
        "The spools that are dried together; all prints of a load share its drying.",
    ),
    (
        "effect", r"\beffects?\b",
        "The change of a response's mean that goes with a stated change of a factor.",
    ),
    (
        "factor", r"\bfactors?\b",
        "What is set on purpose, at different values in different prints.",
    ),
    (
        "interaction", r"interaction| × ",
        "Two factors act together: what the one does depends on where the other is (written with ×).",
    ),
    (
        "Kenward-Roger", r"Kenward-Roger",
        "A way to make tests and intervals honest when prints share loads and loads are few.",
    ),
    (
        "lack of fit", r"[Ll]ack of fit",
        "What a model misses, judged against how well replicates agree.",
    ),
    (
        "leverage", r"[Ll]everage",
        "How far a print decides the model's value at its own setting, from 0 to 1.",
    ),
    (
        "limit (of a value)", r"only limits|as at least|as at most",
        "A value of which only a side is known, such as of a coupon that did not break.",
    ),
    (
        "log odds", r"log odds",
        "The natural logarithm of chance over one minus chance; 0 is an even chance.",
    ),
    (
        "prediction interval", r"prediction interval",
        "A range that holds the next print's mean with the stated chance.",
    ),
    (
        "process window", r"process window|\bwindow\b",
        "A range for each factor within which the bound of the conformance stays at or above what is asked for, whatever "
        "the others do within theirs.",
    ),
    (
        "pure error", r"[Pp]ure error",
        "Scatter between replicates, which owes nothing to the model.",
    ),
    (
        "randomised order", r"\brandom, seed",
        "An order drawn by lot, so that what drifts does not pass for an effect.",
    ),
    (
        "REML", r"REML",
        "Restricted maximum likelihood: finds how much loads, prints and coupons scatter.",
    ),
    (
        "replicate", r"replicate",
        "A further print at the same setting, made anew and not just measured again.",
    ),
    (
        "residual", r"\b[Rr]esiduals?\b",
        "What was measured less what the model gives.",
    ),
    (
        "response", r"\b[Rr]esponses?\b",
        "What is measured or judged on a print or coupon.",
    ),
    (
        "setpoint", r"[Ss]etpoint",
        "What the printer is told, as against the actual value that it reaches.",
    ),
    (
        "standard deviation", r"standard deviation",
        "The usual size of scatter; about two thirds of values lie within one of the mean where scatter is normal.",
    ),
    (
        "standard error", r"[Ss]tandard errors?",
        "The standard deviation of an estimate.",
    ),
    (
        "stratum", r"strat(?:um|a)|between loads",
        "A level at which prints differ: from load to load, from print to print, from coupon to coupon.",
    ),
    (
        "suspect", r"\bsuspect\b",
        "Marked as in doubt by the people who measured, or measured after the instrument's date was due.",
    ),
    (
        "variance component", r"[Vv]ariance component",
        "The part of the scatter, squared, that one stratum brings in.",
    ),
    (
        "verdict", r"[Vv]erdict",
        "Something that the data cannot support, with its cause and the next step.",
    ),
)  # fmt: skip
"""Term, what shows that a text uses it, meaning."""


def glossary_rows(shown: Iterable[str]) -> Table:
    """
    Return the terms that occur in some texts, with what they mean.

    Parameters
    ----------
    shown : iterable of str
        Every text of the report.
    """
    text = "\n".join(shown)
    rows = tuple((term, meaning) for term, used, meaning in _TERMS if re.search(used, text))
    return Table("Terms that this report uses", ("Term", "Meaning"), rows, "ll")
