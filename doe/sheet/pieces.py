"""Which test the coupons of one number are for, in words."""

from doe.study.operators import Texts
from doe.study.spec import Response, Study


def pieces_of_tests(study: Study, say: Texts, *, methods: bool = False) -> str:
    """
    Return which numbers each test has pieces of: ``z strength 1–3; first layer peel 1–2``.

    Parameters
    ----------
    study : Study
    say : Texts
        In whose language the responses are named.
    methods : bool
        Whether each is followed by its method in brackets, which says what its piece looks like.

    Returns
    -------
    str
        Empty where coupons serve fewer than two responses: then there is nothing to tell apart.
    """
    tests = [response for response in study.responses if response.per == "coupon"]
    return "; ".join(_numbered(one, say, methods) for one in tests) if len(tests) > 1 else ""


def _numbered(one: Response, say: Texts, methods: bool) -> str:
    numbers = f"1–{one.coupons}" if one.coupons > 1 else "1"
    method = f" ({one.method})" if methods and one.method else ""
    return f"{say.within(one.name)} {numbers}{method}"
