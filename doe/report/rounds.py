"""What each round of a plan is (pilot, first, further, confirmation), in words: only some of them are fitted."""

import pandas as pd

from doe.design.plan import PILOT, Design


def print_facts(design: Design) -> list[tuple[str, str]]:
    """Return how many prints there are, by what they are for, as facts for the plan's table."""
    runs, rounds = design.fitted, _fitted_rounds(design)
    more = [f"{len(design.of_round(number))} of them in round {number}, planned later" for number in rounds[1:]]
    whole = f"{len(runs)} in {len(rounds)} round{'s' if len(rounds) > 1 else ''}"
    rows = [("prints", "; ".join([whole, *more]))] if rounds else []
    if len(pilot := design.of_round(PILOT)):
        rows.append(("pilot", f"{len(pilot)} prints before the plan, not fitted; {_order(pilot)}"))
    for number in design.confirmations:
        mine = design.of_round(number)
        what = f"{len(mine)} prints in round {number} that try a recommendation, not fitted"
        rows.append(("confirmation", f"{what}; {_order(mine)}"))
    return rows


def order_facts(design: Design) -> list[tuple[str, str]]:
    """Return in what order the prints that are fitted are made, round by round; nothing where there is only a pilot."""
    said = [(number, _order(design.of_round(number))) for number in _fitted_rounds(design)]
    shown = [text if place == 0 else f"round {number} {text}" for place, (number, text) in enumerate(said)]
    return [("order", "; ".join(shown))] if shown else []


def seeds(design: Design) -> str:
    """Return the seed of each round's order: ``4711 (round 1), 815 (round 2, confirmation)``."""
    drawn = [(str(design.of_round(number)["seed"].iloc[0]), named(design, number)) for number in design.rounds]
    return drawn[0][0] if len(drawn) == 1 else ", ".join(f"{seed} ({name})" for seed, name in drawn)


def named(design: Design, number: int) -> str:
    """Return what a round is: ``pilot``, ``round 1``, ``round 2, confirmation``."""
    if number == PILOT:
        return "pilot"
    return f"round {number}{', confirmation' if number in design.confirmations else ''}"


def _fitted_rounds(design: Design) -> list[int]:
    return [number for number in design.rounds if number != PILOT and number not in design.confirmations]


def _order(runs: pd.DataFrame) -> str:
    """Return how the prints of one round were put in order, with the seed where one was drawn."""
    kind, seed = runs["kind"].iloc[0], runs["seed"].iloc[0]
    if kind == "adopted" and seed == 0:
        return "as in the plan that was adopted"
    return f"{'that of the line' if kind == 'ascent' else 'random'}, seed {seed}"
