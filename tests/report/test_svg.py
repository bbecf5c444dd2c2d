import io
import re

from doe.report import figures, svg

WITHOUT = {"Date": None, "Creator": None, "Format": None, "Type": None}
NUMBER = re.compile(rb"-?\d+\.\d+|-?\d+")


def _drawn(draw):
    with figures.new_figure() as (figure, axes):
        axes.plot([0, 1, 2], [3, 1, 2], label="a line")
        axes.set_xlabel("hours, two\nlines of them")
        axes.legend()
        return draw(figure)


def _saved(figure):
    content = io.BytesIO()
    figure.savefig(content, format="svg", metadata=WITHOUT)
    return content.getvalue()


def _parts(svg):
    """Return the text without its names of clips, which hold every digit of a size, and all numbers."""
    plain = re.sub(rb'(id="|url\(#)p[0-9a-f]+', b"", svg)
    return NUMBER.sub(b"0", plain), [float(one) for one in NUMBER.findall(plain)]


def test_a_figure_is_as_matplotlib_itself_saves_it():
    ours, theirs = _parts(_drawn(svg.drawn)), _parts(_drawn(_saved))
    assert ours[0] == theirs[0]
    assert max(abs(one - other) for one, other in zip(ours[1], theirs[1], strict=True)) < 1e-4


def test_a_figure_is_the_same_after_other_figures():
    first = _drawn(svg.drawn)
    with figures.new_figure() as (figure, axes):
        axes.set_title("hours", fontsize=20)
        svg.drawn(figure)
    assert _drawn(svg.drawn) == first
