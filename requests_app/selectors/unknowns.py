"""Reading unknowns: which sets a person sees, and what their key says.

A set without its key (codes, states, who gets it) is seen by whoever ordered it, the readers they named and
the stockroom, which puts the bottles on the cart. Who may open the key is for
:mod:`requests_app.concealing`.
"""

from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Any

from django.db.models import Count, Prefetch, Q, QuerySet
from django.http import Http404

from prepdesk.access import policy
from prepdesk.accounts.models import User
from requests_app import states
from requests_app.models import BatchEvent, KeyReading, Order, Section, UnknownSample, UnknownSet


def unknown_sets_visible_to(actor: User) -> QuerySet[UnknownSet]:
    """The sets a person may see, without their keys."""
    if policy.may(actor, "see_every_order"):
        return UnknownSet.objects.all()
    if policy.may(actor, "see_own_orders"):
        return UnknownSet.objects.filter(Q(ordered_by=actor) | Q(readers=actor)).distinct()
    return UnknownSet.objects.none()


def unknown_set_rows(actor: User) -> QuerySet[UnknownSet]:
    """The list of sets, the newest first, each with how many of its samples stand where."""
    rows = unknown_sets_visible_to(actor).select_related("course", "ordered_by", "substance")

    def count(*wanted: str) -> Count:
        return Count("samples", filter=Q(samples__order__state__in=wanted), distinct=True)

    return (
        rows.order_by("-id")
        .prefetch_related("sections", "readers")
        .annotate(
            samples_all=Count("samples", distinct=True),
            samples_open=count(states.WAITING, states.QUEUED, states.IN_WORK),
            samples_ready=count(states.READY),
            samples_over=count(states.HANDED_OVER),
            samples_cancelled=count(states.CANCELLED),
        )
    )


def unknown_set_or_404(actor: User, reference: str) -> UnknownSet:
    """One set with its samples, their orders and who read its key, or a 404 for whoever may not see it."""
    orders = Order.objects.select_related("batch__claimed_by", "batch__prepared_lot__place")
    found = (
        unknown_sets_visible_to(actor)
        .filter(reference=reference.upper())
        .select_related("course", "ordered_by", "substance")
        .prefetch_related(
            Prefetch("sections", Section.objects.select_related("course")),
            "readers",
            Prefetch(
                "samples",
                UnknownSample.objects.prefetch_related(Prefetch("order", orders), "order__components"),
            ),
            Prefetch("key_readings", KeyReading.objects.select_related("actor")),
        )
        .first()
    )
    if found is None:
        raise Http404(f"There are no unknowns {reference} that you may see.")
    return found


def sample_visible_to(actor: User, code: str) -> UnknownSample | None:
    """The sample with a (tidied) code, if the person may see its set."""
    return (
        UnknownSample.objects.filter(code=code, unknown_set__in=unknown_sets_visible_to(actor))
        .select_related("unknown_set", "order")
        .first()
    )


@dataclass(frozen=True, slots=True)
class KeyRow:
    """One line of a key.

    Attributes:
        sample: with its order, batch and lot loaded.
        target, unit: as drawn.
        made: what was really made, in the same unit, at the digits its uncertainty supports; empty until
            it is, and where it was given up.
        uncertainty_percent: expanded, k = 2, of ``made``.
        inside: whether it came out within its tolerance.
    """

    sample: UnknownSample
    target: str
    unit: str
    made: str = ""
    uncertainty_percent: str = ""
    inside: bool = True


def key_rows(unknowns: UnknownSet) -> list[KeyRow]:
    """The key of a loaded set. Whoever calls this has written down who reads it."""
    return [_key_row(sample) for sample in unknowns.samples.all()]


def _key_row(sample: UnknownSample) -> KeyRow:
    component = sample.order.components.all()[0]
    drawn = KeyRow(sample, component.target_value, component.target_unit)
    batch = sample.order.batch
    found: dict[str, Any] = (batch.settlement if batch is not None else None) or {}
    if not found.get("concentrations"):
        return drawn
    made = found["concentrations"][0]
    return replace(
        drawn,
        made=made["value"],
        uncertainty_percent=str(made["expanded_uncertainty_percent"]),
        inside=found.get("inside", True),
    )


@dataclass(frozen=True, slots=True)
class Reading:
    """Who had figures of a set before their eyes, or changed who may."""

    at: Any
    actor: User
    what: str


def readings_of_key(unknowns: UnknownSet) -> list[Reading]:
    """Every reading of the key, and every claim or handing on by which somebody got a sample's sheet; newest
    first."""
    read = [Reading(one.at, one.actor, one.what) for one in unknowns.key_readings.all()]
    return sorted([*read, *_claims(unknowns.samples.all())], key=lambda one: one.at, reverse=True)


def _claims(samples: Iterable[UnknownSample]) -> list[Reading]:
    codes = {sample.order_id: sample.code for sample in samples}
    # By the order, which stays the same when a batch of it is given up and it gets another one.
    got = BatchEvent.objects.filter(event__in=("claim", "give"), batch__orders__in=codes)
    events = got.select_related("actor")
    pairs = events.values_list("pk", "batch__orders__pk")
    code_of = {event: codes[order] for event, order in pairs if order in codes}
    return [
        Reading(event.at, event.actor, _how(event, code_of[event.pk]))
        for event in events
        if event.pk in code_of
    ]


def _how(event: BatchEvent, code: str) -> str:
    if event.event == "claim":
        return f"claimed {code} to make it"
    # To whom; what was said of how it stands is not for the key.
    return f"handed {code} {event.note.partition(': ')[0]}, who makes it now"
