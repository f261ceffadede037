"""Whatever happens to cases, none is made or lost on the way, and forward and back tell the same."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Any
from xml.etree import ElementTree

from hypothesis import given, settings
from hypothesis import strategies as st

from rimekeep.tracing.core.departures import departures
from rimekeep.tracing.core.flows import Fact, Kind, Place, read_story
from rimekeep.tracing.core.graph import (
    contents_on,
    downstream,
    got_by,
    graph_of,
    lots_at_customers,
    origins,
    upstream,
)
from rimekeep.tracing.core.grouping import MOST_NODES, grouped
from rimekeep.tracing.core.layout import HEIGHT, WIDTH, laid_out
from rimekeep.tracing.core.picture import picture
from rimekeep.tracing.core.table import table
from rimekeep.tracing.core.walk import partings

AT = datetime(2026, 3, 1, 6, 0, tzinfo=UTC)
SVG = "{http://www.w3.org/2000/svg}"
CUSTOMERS = {1: "INN", 2: "BAR", 3: "=PUB"}


@dataclass
class Store:
    """A store kept by the simplest of bookkeeping, which writes events as the service does."""

    facts: list[Fact] = field(default_factory=list)
    # By content: unit, lot, cases, lot and unit it came in on.
    contents: dict[int, list[Any]] = field(default_factory=dict)
    with_customer: dict[int, int] = field(default_factory=dict)
    got: Counter[tuple[int, int]] = field(default_factory=Counter)
    units: int = 0

    def tell(self, kind: str, content: int, cases: int, **data: Any) -> None:
        unit, lot = self.contents[content][:2]
        told = {"content_id": content, "sscc": f"S{unit:03d}", **data}
        seq = len(self.facts) + 1
        at = AT + timedelta(hours=seq)
        self.facts.append(Fact(seq, kind, at, 1, lot, unit, cases, None, told))

    def new_unit(self) -> int:
        self.units += 1
        return self.units

    def put(self, unit: int, lot: int, cases: int, root: int) -> int:
        key = len(self.contents) + 1
        self.contents[key] = [unit, lot, cases, root]
        return key

    def receive(self, lot: int, cases: int) -> None:
        unit = self.new_unit()
        self.tell("unit.received", self.put(unit, lot, cases, unit), cases)

    def take(self, kind: str, content: int, cases: int, to_unit: int, **data: Any) -> int:
        source = self.contents[content]
        source[2] -= cases
        taken = self.put(to_unit, source[1], cases, source[3])
        told = {
            "from_unit_id": source[0],
            "from_sscc": f"S{source[0]:03d}",
            "from_content_id": content,
            "cases_left": source[2],
        }
        self.tell(kind, taken, cases, **told, **data)
        return taken

    def here(self) -> list[int]:
        return [key for key, row in self.contents.items() if row[2] and row[0] not in self.with_customer]

    def on(self, unit: int) -> list[int]:
        return [key for key, row in self.contents.items() if row[0] == unit and row[2]]

    def send(self, unit: int, customer: int, trip: int) -> None:
        self.with_customer[unit] = customer
        for key in self.on(unit):
            row = self.contents[key]
            self.got[customer, row[1]] += row[2]
            facts = {"customer_id": customer, "customer": CUSTOMERS[customer], "trip_id": trip, "order": "O"}
            self.tell("unit.departed", key, row[2], **facts)

    def come_back(self, unit: int, trip: int) -> None:
        customer = self.with_customer.pop(unit)
        for key in self.on(unit):
            row = self.contents[key]
            self.got[customer, row[1]] -= row[2]
            self.tell("unit.taken-back", key, row[2], customer_id=customer, trip_id=trip)


@st.composite
def stories(draw: st.DrawFn) -> Store:
    """A few pallets of a few lots, then anything that may happen, in any order."""
    store, trip = Store(), 0
    for _ in range(draw(st.integers(1, 4))):
        store.receive(draw(st.integers(1, 3)), draw(st.integers(1, 60)))
    built = store.new_unit()
    riding: set[int] = set()
    for _ in range(draw(st.integers(0, 25))):
        what = draw(
            st.sampled_from(["pick", "split", "build", "send", "refuse", "back", "adjust", "destroy"])
        )
        here = store.here()
        if what == "build":
            built = store.new_unit()
        elif what in ("pick", "split") and here:
            content = draw(st.sampled_from(here))
            if store.contents[content][0] == built:
                continue
            cases = draw(st.integers(1, store.contents[content][2]))
            kinds = {"pick": ["cases.picked"], "split": ["cases.moved", "cases.put-back", "cases.damaged"]}
            if built in store.with_customer:
                built = store.new_unit()
            onto = built if what == "pick" else store.new_unit()
            store.take(draw(st.sampled_from(kinds[what])), content, cases, onto)
        elif what == "send" and here:
            trip += 1
            unit = store.contents[draw(st.sampled_from(here))][0]
            store.send(unit, draw(st.sampled_from(sorted(CUSTOMERS))), trip)
        elif what == "refuse" and store.with_customer:
            unit = draw(st.sampled_from(sorted(store.with_customer)))
            contents = store.on(unit)
            if unit in riding or not contents:
                continue
            content = draw(st.sampled_from(contents))
            cases = draw(st.integers(1, store.contents[content][2]))
            rides = store.new_unit()
            customer = store.with_customer[unit]
            store.take("cases.refused", content, cases, rides, customer_id=customer, trip_id=trip)
            store.got[customer, store.contents[content][1]] -= cases
            riding.add(rides)
            # It rides back, and is in the store from then on: nothing of it is with the customer.
            key = store.on(rides)[0]
            store.tell("unit.taken-back", key, cases, customer_id=customer, trip_id=trip)
        elif what == "back" and store.with_customer:
            store.come_back(draw(st.sampled_from(sorted(store.with_customer))), trip)
        elif what in ("adjust", "destroy") and here:
            content = draw(st.sampled_from(here))
            row = store.contents[content]
            if what == "destroy":
                cases = draw(st.integers(1, row[2]))
                row[2] -= cases
                store.tell("cases.destroyed", content, cases, cases_left=row[2])
            else:
                counted = draw(st.integers(0, 70))
                change, row[2] = counted - row[2], counted
                store.tell("cases.adjusted", content, change, cases_after=counted)
    return store


@settings(max_examples=150)
@given(stories())
def test_no_case_is_made_or_lost_on_the_way(store: Store) -> None:
    """What goes into a place less what comes out is what the bookkeeping says is there, lot by lot."""
    story = read_story(store.facts)
    stands: Counter[tuple[Place, int]] = Counter()
    for flow in story.flows:
        stands[flow.target, flow.lot_id] += flow.cases
        stands[flow.source, flow.lot_id] -= flow.cases
    kept: Counter[tuple[Place, int]] = Counter()
    for unit, lot, cases, _ in store.contents.values():
        if unit not in store.with_customer:
            kept[Place(Kind.UNIT, str(unit)), lot] += cases
    on_units = {key: cases for key, cases in stands.items() if key[0].kind == Kind.UNIT and cases}
    assert on_units == {key: cases for key, cases in kept.items() if cases}
    graph = graph_of(story.flows, story.names)
    assert sum(node.cases for node in graph.nodes) == 0
    assert sum(edge.cases for edge in graph.edges) == sum(flow.cases for flow in story.flows)


@settings(max_examples=150)
@given(stories())
def test_forward_and_back_tell_the_same_cases_of_a_lot_at_a_customer(store: Store) -> None:
    """Forward from the lot's own events; back from what was sent, along what it was taken off, to what came in."""
    kept = {key: cases for key, cases in store.got.items() if cases}
    forward: dict[tuple[int, int], int] = {}
    for lot in {fact.lot_id for fact in store.facts}:
        own = read_story(fact for fact in store.facts if fact.lot_id == lot)
        for (place, lot_id), cases in lots_at_customers(own.flows).items():
            forward[int(place.key), lot_id] = cases
    story = read_story(store.facts)
    back: Counter[tuple[int, int]] = Counter()
    for customer in CUSTOMERS:
        place = Place(Kind.CUSTOMER, str(customer))
        for got in got_by(story, [flow for flow in story.flows if place in (flow.source, flow.target)]):
            back[customer, got.lot_id] += got.cases
    assert forward == kept
    assert {key: cases for key, cases in back.items() if cases} == kept


@settings(max_examples=100)
@given(stories())
def test_what_is_on_a_unit_is_followed_to_what_came_in(store: Store) -> None:
    story = read_story(store.facts)
    for unit in range(1, store.units + 1):
        place = Place(Kind.UNIT, str(unit))
        contents = contents_on(story, {place})
        own = {key: row for key, row in store.contents.items() if row[0] == unit}
        assert contents == own.keys()
        roots = {(one.lot_id, int(one.came_on.key)) for one in origins(story, {place})}
        assert roots == {(row[1], row[3]) for row in own.values()}
        before = {flow.source for flow in upstream(story, contents) if flow.source.kind == Kind.LOT}
        assert before <= {Place(Kind.LOT, str(row[1])) for row in own.values()}
        after = lots_at_customers(downstream(story, contents))
        assert all(cases > 0 for cases in after.values())


@settings(max_examples=100)
@given(stories(), st.data())
def test_a_change_behind_the_records_back_is_found_between_two_events(
    store: Store, data: st.DataObject
) -> None:
    record = {key: row[2] for key, row in store.contents.items()}
    assert partings(store.facts, record) == []
    harmed = data.draw(st.sampled_from(sorted(record)))
    record[harmed] += 5
    (found,) = partings(store.facts, record)
    assert (found.content_id, found.record_cases - found.ledger_cases) == (harmed, 5)
    assert found.first_bad is None, "no event has looked since"


def test_the_first_event_that_finds_another_number_is_named() -> None:
    """Seven cases taken away unseen between two picks; the second pick finds 22 left where 29 should be."""
    store = Store()
    store.receive(1, 48)
    built = store.new_unit()
    store.take("cases.picked", 1, 10, built)
    store.contents[1][2] -= 7
    store.take("cases.picked", 1, 9, built)
    store.take("cases.picked", 1, 1, built)
    (found,) = partings(store.facts, {key: row[2] for key, row in store.contents.items()})
    assert (found.sscc, found.ledger_cases, found.record_cases) == ("S001", 28, 21)
    assert found.last_good is not None
    assert found.first_bad is not None
    assert (found.last_good.seq, found.first_bad.seq) == (2, 3)


def test_a_second_delivery_is_a_line_of_its_own() -> None:
    """Sent to the inn, refused there, sent to the bar: both are told, and who has the cases now."""
    store = Store()
    store.receive(1, 48)
    store.send(1, 1, 10)
    store.come_back(1, 10)
    store.send(1, 2, 11)
    story = read_story(store.facts)
    edges = graph_of(story.flows, story.names).edges
    assert [(edge.way.value, edge.trip_id, edge.cases) for edge in edges] == [
        ("received", None, 48), ("sent", 10, 48), ("came back", 10, 48), ("sent", 11, 48),
    ]  # fmt: skip
    assert lots_at_customers(story.flows) == {(Place(Kind.CUSTOMER, "2"), 1): 48}
    assert [(one.customer, one.came_back) for one in departures(store.facts)] == [
        ("INN", True), ("BAR", False),
    ]  # fmt: skip


def large() -> Store:
    """Forty pallets of one lot, picked onto eighty units for three customers, and one that came back."""
    store = Store()
    for _ in range(40):
        store.receive(1, 48)
    for number in range(80):
        unit = store.new_unit()
        for step in range(3):
            store.take("cases.picked", (number + step * 7) % 40 + 1, 2, unit)
        store.send(unit, number % 3 + 1, number)
    store.come_back(41, 0)
    return store


def test_a_large_flow_is_drawn_in_groups_and_every_number_adds_up() -> None:
    story = read_story(large().facts)
    graph = graph_of(story.flows, story.names)
    assert len(graph.nodes) > 2 * MOST_NODES
    small = grouped(graph)
    assert 4 <= len(small.nodes) <= MOST_NODES
    for kind in Kind:
        for told in ("cases_in", "cases_out"):
            assert sum(getattr(node, told) for node in small.nodes if node.place.kind == kind) == sum(
                getattr(node, told) for node in graph.nodes if node.place.kind == kind
            )
    assert sum(edge.cases for edge in small.edges) == sum(edge.cases for edge in graph.edges)


@settings(max_examples=60)
@given(stories())
def test_boxes_never_lie_on_each_other(store: Store) -> None:
    story = read_story(store.facts)
    sheet = laid_out(graph_of(story.flows, story.names))
    for number, one in enumerate(sheet.boxes):
        assert 0 <= one.x <= sheet.width - WIDTH
        assert 0 <= one.y <= sheet.height - HEIGHT
        for other in sheet.boxes[:number]:
            assert abs(one.x - other.x) >= WIDTH or abs(one.y - other.y) >= HEIGHT


@settings(max_examples=60)
@given(stories())
def test_the_picture_is_well_formed_always_the_same_and_all_of_it_is_text_too(store: Store) -> None:
    story = read_story(store.facts)
    graph = graph_of(story.flows, {**story.names, Place(Kind.LOT, "1"): "L<1> & \x01"})
    drawn = picture(graph, title="Lot <L&1>", lots={1: "L1"})
    assert drawn == picture(graph, title="Lot <L&1>", lots={1: "L1"})
    root = ElementTree.fromstring(drawn)
    assert root.get("role") == "img"
    assert (root.findtext(f"{SVG}title"), root.get("aria-labelledby")) == ("Lot <L&1>", "title desc")
    assert "customers" in str(root.findtext(f"{SVG}desc"))
    lines = root.findall(f"{SVG}path")
    assert len(lines) == len(graph.edges)
    assert all("cases" in str(line.findtext(f"{SVG}title")) for line in lines)
    boxes = root.findall(f"{SVG}g")
    assert len(boxes) == len(graph.nodes)
    assert all(box.findall(f"{SVG}text") for box in boxes)


def test_the_table_has_a_line_an_edge_and_no_formula() -> None:
    store = Store()
    store.receive(1, 48)
    store.send(1, 3, 7)
    story = read_story(store.facts)
    lines = table(graph_of(story.flows, story.names), lots={1: "L1"}).split("\r\n")
    assert lines == [
        "lot,from_kind,from,way,to_kind,to,cases,order,trip_id,first_at,last_at",
        "L1,lot,1,received,unit,S001,48,,,2026-03-01T07:00:00Z,2026-03-01T07:00:00Z",
        "L1,unit,S001,sent,customer,'=PUB,48,O,7,2026-03-01T08:00:00Z,2026-03-01T08:00:00Z",
        "",
    ]
