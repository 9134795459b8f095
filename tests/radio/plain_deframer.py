"""A KISS deframer that goes octet by octet, as the KISS paper tells it.

The tests compare the real one with it, and the bench measures against it. It knows no limits.
"""

FEND, FESC, TFEND, TFESC = 0xC0, 0xDB, 0xDC, 0xDD


def deframe(stream: bytes) -> list[bytes]:
    """The frames in `stream`, type octet first."""
    frames: list[bytes] = []
    frame = bytearray()
    in_step = False
    escaped = False
    for octet in stream:
        if octet == FEND:
            if in_step and frame and not escaped:
                frames.append(bytes(frame))
            frame.clear()
            in_step = True
            escaped = False
        elif escaped:
            if octet == TFEND:
                frame.append(FEND)
            elif octet == TFESC:
                frame.append(FESC)
            escaped = False
        elif octet == FESC:
            escaped = True
        else:
            frame.append(octet)
    return frames
