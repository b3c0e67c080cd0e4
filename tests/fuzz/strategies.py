"""Hostile inputs of valid ones: values swapped, lines dropped, huge, deep, hidden letters, encodings."""

# the tables of inputs read better whole
# ruff: noqa: E501
from __future__ import annotations

from typing import Any

from hypothesis import strategies as st

SPOILT = (
    "", "~", "null", "-1", "0", "1e308", "-1e-308", ".nan", ".inf", "-.inf", "9" * 400, "0x1F", "1_000", "12:30:45",
    "99999 min", "1e-7 in", "1e9 ft", "-5 gpm", "0 gal", "100%", "-40%", "1e400 L/min", "5 bananas", "yes", "[]",
    "{}", "[[[[]]]]", "{a: {b: {c: {d: 1}}}}", "&a [*a]", "*a", "!!python/object:os.system x", "|", ">",
    "2015-02-30", "0001-01-01", "9999-12-31", "1900-01-01", "2199-12-31", "{gpio: 99}", "{gpio: -1}",
    "{by_hand: true}", "{command: []}", '{http: {open: {url: "http://h:-1/"}, close: {url: "http://h/"}}}',
    '"\\u202e"', '"\\0"', "\x00", "\x1b[2J", "\u200b", "\ud7ff", "a" * 5000, "'", '"', "%", "@", "`", "\t",
)  # fmt: skip
ENCODINGS = ("utf-8", "utf-16", "utf-8-sig", "latin-1", "utf-32", "utf-7")
small = st.integers(0, 400)


@st.composite
def mutated_text(draw: st.DrawFn, base: str, *, separator: str = ":") -> bytes:
    """A few things wrong with a text that was right."""
    lines = base.splitlines()
    for _ in range(draw(st.integers(1, 4))):
        lines = _change(draw, lines, separator)
    text = "\n".join(lines) + draw(st.sampled_from(["\n", "", "\r\n", "\n\n# end"]))
    return _encoded(draw, text)


def _change(draw: st.DrawFn, lines: list[str], separator: str) -> list[str]:
    if not lines:
        return ["x"]
    i, j = draw(small) % len(lines), draw(small) % len(lines)
    out = list(lines)
    match draw(
        st.sampled_from(["value", "value", "value", "swap", "drop", "double", "cut", "text", "deep", "long"])
    ):
        case "value":
            head, found, _ = out[i].partition(separator)
            out[i] = (
                f"{head}{found} {draw(st.sampled_from(SPOILT))}" if found else draw(st.sampled_from(SPOILT))
            )
        case "swap":
            (a, one, x), (b, other, y) = out[i].partition(separator), out[j].partition(separator)
            out[i], out[j] = a + one + y, b + other + x
        case "drop":
            del out[i : i + draw(st.integers(1, 5))]
        case "double":
            out[i:i] = out[i : i + draw(st.integers(1, 3))] * draw(st.integers(1, 3))
        case "cut":
            at = draw(st.integers(0, max(len(out[i]), 1)))
            out = [*out[:i], out[i][:at], *(out[i + 1 :] if draw(st.booleans()) else [])]
        case "text":
            out[i] += draw(st.text(max_size=12))
        case "deep":
            depth = draw(st.sampled_from([10, 70, 3000]))
            out[i] = (
                out[i].partition(separator)[0]
                + f"{separator} "
                + "[" * depth
                + "]" * draw(st.sampled_from([0, depth]))
            )
        case "long":
            out[i] += draw(st.sampled_from(["x", "9", " ", ",", "- "])) * draw(st.sampled_from([300, 70_000]))
    return out


def _encoded(draw: st.DrawFn, text: str) -> bytes:
    encoding = draw(st.sampled_from(["utf-8"] * 8 + list(ENCODINGS)))
    data = text.encode(encoding, errors="replace")
    if draw(st.integers(0, 9)) == 0 and data:
        at = draw(small) % len(data)
        data = data[:at] + draw(st.binary(min_size=1, max_size=4)) + data[at + 1 :]
    return data


numbers = st.one_of(st.integers(-(10**30), 10**30), st.floats(), st.just(10**400))
json_values: st.SearchStrategy[Any] = st.recursive(
    st.one_of(st.none(), st.booleans(), numbers, st.text(max_size=8)),
    lambda inner: st.one_of(
        st.lists(inner, max_size=4),
        st.dictionaries(
            st.sampled_from(["liters", "open", "state", "do", "zone", "minutes", "at", "tmax_c", "x"]),
            inner,
            max_size=4,
        ),
    ),
    max_leaves=12,
)


@st.composite
def payloads(draw: st.DrawFn) -> bytes:
    """What a message can hold: JSON of any shape, deep or endless, numbers without end, no text at all."""
    import json

    match draw(st.sampled_from(["json", "json", "bytes", "deep", "digits", "cut"])):
        case "json":
            return json.dumps(draw(json_values)).encode()
        case "bytes":
            return draw(st.binary(max_size=60))
        case "deep":
            return draw(st.sampled_from([b"[", b'{"a":', b"[[{"])) * draw(
                st.sampled_from([100, 3000, 50_000])
            )
        case "digits":
            return b"-" * draw(st.integers(0, 1)) + b"9" * draw(st.sampled_from([20, 400, 5000]))
    whole = json.dumps(draw(json_values)).encode()
    return whole[: draw(small) % (len(whole) + 1)]
