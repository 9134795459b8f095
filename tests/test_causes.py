"""What led to an error, however the library below has tied its errors together."""

from ridgepost.causes import causes


def test_outermost_first() -> None:
    """`raise ... from` sets __cause__, an error in an except block sets __context__ (PEP 3134)."""
    first, second, third = OSError(5), ValueError("second"), RuntimeError("third")
    second.__context__ = first
    third.__cause__ = second
    third.__context__ = TypeError("hidden by the cause")
    assert list(causes(third)) == [third, second, first]


def test_a_ring_ends() -> None:
    """An MQTT library was seen to raise an error whose cause was caused by that error."""
    one, other = ValueError("one"), ValueError("other")
    one.__cause__, other.__cause__ = other, one
    assert list(causes(one)) == [one, other]
