"""A short run of tests/long/bus_table.py, and that it finds what is wrong.

What is compared with what is said there: the log as SQLite has it, what a client of another make
has kept, and what mosquitto retains.
"""

import json
from pathlib import Path

from bus.schemas import complaint
from long import ledger
from long.bus_table import BASE, run, wrong_topics
from long.table import Table


def test_client_has_the_log_through_stops_cuts_and_kills(tmp_path: Path) -> None:
    counts, table = run(tmp_path, stops=1, cuts=2, kills=2, seed=3, long_share=0.0)
    assert (counts.stops, counts.cuts, counts.kills) == (1, 2, 2)
    assert counts.told > 100
    assert counts.duplicates, "nothing came twice: nothing can have been interrupted"
    assert counts.agree, counts.text()
    found = [complaint(*event) for event in table.events.values()]
    assert [problem for problem in found if problem] == []
    check_that_mistakes_are_found(ledger.read(tmp_path / "logbook" / "logbook.sqlite"), table)


def check_that_mistakes_are_found(rows: list[ledger.Row], table: Table) -> None:
    """One entry left out, one invented, one altered in each key that the log knows too; and a
    topic too few, too many and stale."""
    events = dict(table.events)
    key = next(row.id for row in rows if row.what == "received")
    del events[key]
    assert ledger.compare(rows, events, BASE).missing == [key]
    events["ffffff.1.1"] = events.pop(next(iter(events)))
    assert ledger.compare(rows, events, BASE).unknown == ["ffffff.1.1"]
    for what, field in (("outbound", "state"), ("heard", "monitor"), ("received", "text")):
        row = next(row for row in rows if row.what == what)
        topic, payload = table.events[row.id]
        altered = {**table.events, row.id: (topic, payload | {field: "other"})}
        (differing,) = ledger.compare(rows, altered, BASE).differing
        assert field in differing

    kept = table.retained
    assert wrong_topics(rows, kept, kept) == []
    place = f"{BASE}/place/QZ1MRK"
    assert place in kept
    less = {topic: says for topic, says in kept.items() if topic != place}
    stale = kept | {place: kept[place] | {"of": rows[0].id}}
    more = kept | {f"{BASE}/place/QZ1XXX": kept[place]}
    for broker, client, count in (
        (kept, less, 1),
        (less, kept, 2),
        (stale, stale, 1),
        (more, more, 1),
    ):
        assert len(wrong_topics(rows, broker, client)) == count


def test_table_by_the_contract() -> None:
    """At least once and in order: a second copy is none, another one under the same name is."""
    table = Table()
    for seq in (1, 2, 1, 4, 3):
        table.take(f"{BASE}/copies", json.dumps({"id": f"a.1.{seq}", "seq": seq}), retain=False)
    assert (len(table.events), table.duplicates, table.out_of_order) == (4, 1, ["a.1.3"])
    table.take(f"{BASE}/copies", json.dumps({"id": "a.1.1", "seq": 1, "x": 1}), retain=False)
    assert table.differing == ["a.1.1"]
    table.take(f"{BASE}/unread", '{"count": 1}', retain=True)
    table.take(f"{BASE}/place/x", "{}", retain=True)
    table.take(f"{BASE}/place/x", "", retain=True)
    assert table.retained == {f"{BASE}/unread": {"count": 1}}
    table.connected(session_present=True)
    assert table.retained
    table.connected(session_present=False)
    assert not table.retained
