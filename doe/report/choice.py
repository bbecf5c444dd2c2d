"""Rows about smaller models beside the declared one: what they leave out or would change."""

from doe.model.choice import CAUTION, Choice
from doe.recommend.alternatives import AVERAGED, DECLARED, REDUCED
from doe.recommend.results import Alternative, Alternatives, predicted
from doe.report import numbers
from doe.report.tables import Table, words

_MODELS = {DECLARED: "Declared", REDUCED: "Smaller, favoured by AICc", AVERAGED: "Weighted mean of all"}


def choice_rows(found: Choice) -> Table:
    """Return the declared, the reduced and the averaged model side by side; a note alone where none are compared."""
    title = f"Smaller models beside the declared one: {words(found.response)}"
    columns = ("Model", "AICc", "Weight", f"Mean at the centre{_unit(found)}", "Standard error")
    if found.reason or found.centre is None:
        return Table(title, columns, (), "lrrrr", f"No smaller models are compared: {found.reason}.")
    at, dropped = found.centre, ", ".join(words(term) for term in found.dropped)
    place = numbers.place_of(max(at.declared_se, at.averaged_se))
    rows = (
        _line(_MODELS[DECLARED], found.declared_aicc, found.declared_weight, at.declared, at.declared_se, place),
        _line(_MODELS[REDUCED], found.reduced_aicc, found.reduced_weight, at.reduced, None, place),
        (_MODELS[AVERAGED], "", "", numbers.at_place(at.averaged, place), numbers.at_place(at.averaged_se, place)),
    )
    parts = [
        f"The smaller model does without {dropped}." if dropped else "No term can be left out without raising AICc.",
        _evidence(found),
        "The declared model is the model; these are shown to see whether anything hangs on its terms.",
        found.method,
    ]
    return Table(title, columns, rows, "lrrrr", " ".join(parts))


def _line(
    name: str, aicc: float | None, weight: float, mean: float, se: float | None, place: int | None
) -> tuple[str, ...]:
    return (
        name, "does not exist" if aicc is None else numbers.at_place(aicc, -1), numbers.percent(weight),
        numbers.at_place(mean, place), "none given" if se is None else numbers.at_place(se, place),
    )  # fmt: skip


def _evidence(found: Choice) -> str:
    if found.declared_aicc is None:
        return (
            f"{found.prints} prints are too few for the AICc of the declared model (its correction divides by the prints less"
            " the parameters less one), so it takes no part in the weights; that says nothing against it."
        )
    moved = numbers.plain(found.moved, 2)
    where = f" The predictions of the two differ most at print {found.moved_at}: by {moved} standard errors."
    if not found.dropped:
        return ""
    evidence = found.evidence or 0.0
    return (
        f"Its AICc is lower by {numbers.at_place(evidence, -1)}; less than 2 is no difference. AICc charges the"
        f" declared model {numbers.at_place(found.charge, -1)} more for its additional parameters with {found.prints} prints,"
        f" whatever was measured: a low weight of the declared model is no sign that it is wrong.{where}"
    )


def importance_rows(found: Choice) -> Table:
    """Return how much speaks for each term; no rows where no models are compared."""
    rows = tuple(
        (words(one.term), numbers.at_place(one.importance, -2), "kept" if one.kept else "left out")
        for one in found.importance
    )
    note = (
        "The sum of the weights of all models that have the term. Near 1 the values speak for it clearly; a factor without any"
        " effect may get 0.2 to 0.4 all the same, squares and products less, as they come only together with their factors."
        f" {CAUTION}"
    )
    columns = ("Term", "Weight of the models with it", "In the smaller model")
    return Table(f"Weight of each term: {words(found.response)}", columns, rows, "lrl", note if rows else "")


def alternatives_rows(found: Alternatives) -> Table:
    """Return what each model would choose, and how the models judge each other's setting."""
    rows = tuple(_alternative(one) for one in found.rows)
    columns = (
        "Model", "Setting it would choose", "Conformance there", "Declared model's there",
        "Its own at the recommended setting", "Its means at the recommended setting",
    )  # fmt: skip
    kept = [f"{words(name)} ({reason})" for name, reason in found.not_compared.items()]
    without = [
        f"{words(name)} without {', '.join(words(term) for term in terms)}"
        for name, terms in found.dropped.items()
        if terms
    ]
    note = " ".join(
        (
            f"Smaller models: {'; '.join(without)}." if without else "No term is left out of any response.",
            *((f"The declared model is kept for {'; '.join(kept)}.",) if kept else ()),
            "The recommendation is the declared model's; nothing here replaces it.",
            found.method,
        )
    )
    return Table("What a smaller model would change", columns, rows, "llrrrl", note)


def _alternative(one: Alternative) -> tuple[str, ...]:
    chosen = ", ".join(
        f"{words(name)} {value if isinstance(value, str) else numbers.setting(value)}"
        for name, value in one.settings.items()
    )
    if one.model != DECLARED:
        chosen += " (near-optimal for the declared model too)" if one.near else " (beyond the near-optimal settings)"
    means = ", ".join(f"{words(name)} {numbers.plain(mean)}" for name, mean in one.means.items())
    return (
        _MODELS[one.model], chosen, predicted(one.conformance), predicted(one.declared_there),
        predicted(one.at_recommended), means,
    )  # fmt: skip


def _unit(found: Choice) -> str:
    if found.log:
        return ", natural logarithm"
    return f", {found.unit}" if found.unit else ""
