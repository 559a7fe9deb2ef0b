"""Text that is written as YAML is read back equal, by a library too."""

import yaml
from hypothesis import given, settings
from hypothesis import strategies as st

from zerobeat.config.yaml_out import block, flow

text = st.one_of(
    st.text(max_size=20),
    st.sampled_from(
        [
            "yes",
            "No",
            "off",
            "~",
            "null",
            "1",
            "1e5",
            "0x1f",
            "12:30",
            "- a",
            "a: b",
            "a #b",
            " a",
            "a ",
            "19 equal",
            "7/8",
            "",
            "{",
            "a,b",
            "\u2028",
            "\x85",
            "\x7f",
            "\ufeff",
            "\U0001f3b9",
            "'",
            '"',
            "\\",
            "=",
            "<<",
            ".nan",
            "2001-01-01",
        ]
    ),
)
values = st.recursive(
    st.one_of(
        st.none(),
        st.booleans(),
        st.integers(-(10**9), 10**9),
        text,
        st.floats(allow_nan=False, allow_infinity=False),
    ),
    lambda inner: st.one_of(st.lists(inner, max_size=4), st.dictionaries(text, inner, max_size=4)),
    max_leaves=12,
)


@settings(max_examples=600, deadline=None)
@given(values)
def test_any_value_reads_back_equal(value):
    """PyYAML, which reads YAML 1.1: words such as yes and numbers such as 1e5 are its traps."""
    assert yaml.safe_load(flow(value)) == value


@settings(max_examples=200, deadline=None)
@given(st.dictionaries(text, values, min_size=1, max_size=3))
def test_any_mapping_reads_back_equal(mapping):
    assert yaml.safe_load(block(mapping, opened=tuple(mapping)[:2])) == mapping


def test_a_scene_reads_well():
    plain = {
        "title": "Slow song",
        "time_signature": "7/8",
        "voices": {"reed": {"detune_cents": -3.5}},
    }
    assert block(plain, opened=("voices",)) == (
        "title: Slow song\ntime_signature: 7/8\nvoices:\n  reed: {detune_cents: -3.5}\n"
    )
