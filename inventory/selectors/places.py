"""Places as a tree: what is in what, and what stands there."""

from collections.abc import Mapping
from dataclasses import dataclass

from django.db.models import Count, QuerySet

from inventory import codes, states
from inventory.models import ApparatusItem, Lot, Place
from prepdesk.access import policy
from prepdesk.accounts.models import User


@dataclass(frozen=True, slots=True)
class PlaceNode:
    """One place in the tree, with what stands in it and in everything inside it."""

    place: Place
    whole_name: str
    depth: int
    lots: int
    lots_inside: int
    apparatus: int


def places_visible_to(actor: User) -> QuerySet[Place]:
    """The places a person may look into: those who keep the stock see all."""
    rows = Place.objects.all()
    return rows if policy.may(actor, "receive_lot") else rows.none()


def place_by_code(actor: User, code: str) -> Place | None:
    """The place whose label says ``code``, typed or scanned; ``None`` where there is none."""
    return places_visible_to(actor).filter(code=codes.tidied(code)).first()


def places(*, in_use: bool = False) -> list[tuple[int, str]]:
    """Every place with its whole name, "Store / Cabinet 2", in order; perhaps only those in use."""
    rows = {place.pk: place for place in Place.objects.all()}
    named = ((pk, _whole_name(rows, pk)) for pk, place in rows.items() if place.in_use or not in_use)
    return sorted(named, key=lambda row: row[1].lower())


def place_tree(*, actor: User, retired: bool = False) -> list[PlaceNode]:
    """The tree from the top, each place below the one it is in; the retired ones on request."""
    rows = {place.pk: place for place in places_visible_to(actor)}
    here = dict(standing().order_by().values_list("place_id").annotate(n=Count("pk")))
    apparatus = dict(
        ApparatusItem.objects.exclude(place=None).order_by().values_list("place_id").annotate(n=Count("pk"))
    )
    below = _children(rows)
    nodes: list[PlaceNode] = []

    def walk(pk: int, depth: int, seen: frozenset[int]) -> None:
        inside = _inside(below, pk)
        nodes.append(
            PlaceNode(
                place=rows[pk],
                whole_name=_whole_name(rows, pk),
                depth=depth,
                lots=here.get(pk, 0),
                lots_inside=sum(here.get(key, 0) for key in inside),
                apparatus=apparatus.get(pk, 0),
            )
        )
        for child in below.get(pk, ()):
            # A place moved into itself by hand must not hang the page.
            if child not in seen and (retired or rows[child].in_use):
                walk(child, depth + 1, seen | {child})

    for pk in below.get(None, ()):
        if retired or rows[pk].in_use:
            walk(pk, 0, frozenset({pk}))
    return nodes


def path_to(place: Place) -> list[Place]:
    """The places around one, from the room inwards, itself last."""
    rows = {row.pk: row for row in Place.objects.all()}
    path: list[Place] = []
    key: int | None = place.pk
    while key is not None and key in rows and rows[key] not in path:
        path.insert(0, rows[key])
        key = rows[key].parent_id
    return path


def within(place: int) -> set[int]:
    """Keys of a place and of everything in it."""
    return _inside(_children({row.pk: row for row in Place.objects.all()}), place)


def standing() -> QuerySet[Lot]:
    """Lots that stand somewhere and have something in them."""
    return Lot.objects.filter(on_hand__gt=0).exclude(state=states.EMPTY).exclude(place=None)


def standing_in(keys: set[int]) -> QuerySet[Lot]:
    """What stands in these places, in the order of its labels."""
    lots = standing().filter(place__in=keys)
    return lots.select_related("substance", "prepared_by", "place").order_by("code")


def cabinets() -> dict[int, int | None]:
    """For each place the key of the cabinet that holds it: the nearest cabinet or refrigerator around it.

    Outside of any cabinet a place counts as its own; what stands in a room without more being said
    has none, because nobody knows beside what it stands.
    """
    rows = {place.pk: place for place in Place.objects.all()}
    closed = {Place.Kind.CABINET, Place.Kind.COLD}

    def cabinet_of(pk: int) -> int | None:
        key: int | None = pk
        seen: set[int] = set()
        while key is not None and key not in seen:
            seen.add(key)
            if rows[key].kind in closed:
                return key
            key = rows[key].parent_id
        return None if rows[pk].kind == Place.Kind.ROOM else pk

    return {pk: cabinet_of(pk) for pk in rows}


def _children(rows: Mapping[int, Place]) -> dict[int | None, list[int]]:
    below: dict[int | None, list[int]] = {}
    for place in sorted(rows.values(), key=lambda place: place.name.lower()):
        below.setdefault(place.parent_id if place.parent_id in rows else None, []).append(place.pk)
    return below


def _inside(below: Mapping[int | None, list[int]], place: int) -> set[int]:
    inside: set[int] = set()
    layer = [place]
    while layer:
        inside.update(layer)
        layer = [child for pk in layer for child in below.get(pk, ()) if child not in inside]
    return inside


def _whole_name(rows: Mapping[int, Place], pk: int) -> str:
    names: list[str] = []
    key: int | None = pk
    seen: set[int] = set()
    while key is not None and key in rows and key not in seen:
        seen.add(key)
        names.insert(0, rows[key].name)
        key = rows[key].parent_id
    return " / ".join(names)
