"""Bench lists: who sees and writes which, their newest versions, and where they are used."""

from django.db.models import Count, Max, Prefetch, QuerySet
from django.http import Http404

from inventory.models import Substance
from prepdesk.access import policy
from prepdesk.accounts.models import User
from requests_app.list_content import ListContent
from requests_app.models import BenchList, BenchListVersion, Course, ListComponent, ListSolution
from requests_app.selectors.work import taught_courses


def bench_lists_visible_to(actor: User) -> QuerySet[BenchList]:
    """Everybody of the department reads every bench list; a list holds no secrets."""
    lists = BenchList.objects.select_related("course", "created_by")
    return lists if policy.may(actor, "see_bench_lists") else lists.none()


def courses_to_write_for(actor: User) -> QuerySet[Course]:
    """The courses whose bench lists a person may write."""
    return taught_courses(actor) if policy.may(actor, "write_bench_list") else Course.objects.none()


def may_write(actor: User, bench_list: BenchList) -> bool:
    """Whether a person may correct or retire a list."""
    return courses_to_write_for(actor).filter(pk=bench_list.course_id).exists()


def bench_list_rows(actor: User, *, retired: bool = False) -> QuerySet[BenchList]:
    """Lists by course, each with ``newest`` (number of its newest version), ``changed_at``, and ``weeks`` (in
    how many weeks of terms it is planned)."""
    lists = bench_lists_visible_to(actor).filter(retired_at__isnull=not retired)
    return lists.annotate(
        newest=Max("versions__number"),
        changed_at=Max("versions__created_at"),
        weeks=Count("planned", distinct=True),
    ).order_by("course__code", "title")


def bench_list_or_404(actor: User, key: int) -> BenchList:
    """One list, or a 404."""
    found = bench_lists_visible_to(actor).filter(pk=key).first()
    if found is None:
        raise Http404("There is no such bench list.")
    return found


def versions_of(bench_list: BenchList) -> list[BenchListVersion]:
    """All versions of a list, the newest first, with all their lines; the number of queries doesn't grow."""
    versions = bench_list.versions.select_related("created_by", "copied_from__bench_list__course")
    return list(
        versions.prefetch_related(
            Prefetch(
                "solutions",
                ListSolution.objects.prefetch_related(
                    Prefetch("components", ListComponent.objects.select_related("substance"))
                ),
            ),
            "consumables",
            "apparatus",
        ).order_by("-number")
    )


def current_version(bench_list: BenchList) -> BenchListVersion:
    """The newest version of a list."""
    return bench_list.versions.order_by("-number")[0]


def names_in(*contents: ListContent) -> dict[str, str]:
    """The names of all substances that lists speak of, by key."""
    keys = {
        one.substance_key for content in contents for line in content.solutions for one in line.components
    }
    return dict(Substance.objects.filter(key__in=keys).values_list("key", "name"))
