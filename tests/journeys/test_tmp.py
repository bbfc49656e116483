from tests.journeys.test_a_day import *  # noqa
import sys

@pytest.mark.parametrize("which", ["over", "out", "wrong", "lost", "spill", "acid"])
def test_one(day, open_window, which):
    pia, paul = open_window("pia"), open_window("paul")
    table = {
        "over": (day.of("sodium-chloride", 3), {"weigh": overshoots}, dilutes),
        "out": (day.of("sodium-chloride", 2), {"weigh": runs_out(day.spare)}, nothing_special),
        "wrong": (day.of("copper-sulfate-pentahydrate"), {"weigh": takes_the_wrong_bottle(day.anhydrous)}, nothing_special),
        "lost": (day.of("sucrose"), {"weigh": loses_the_connection}, nothing_special),
        "spill": (day.of("ammonium-chloride"), {"weigh": spills}, nothing_special),
        "acid": (day.of("hydrochloric-acid"), {}, asks_for_a_second_person(day, day.of("hydrochloric-acid"), second=paul)),
    }
    batch, s, c = table[which]
    try:
        for _ in making(pia, day, batch, s, c):
            pass
    except BaseException:
        pia.screenshot(path=f"/tmp/day-{which}.png", full_page=True)
        print(pia.url); print(pia.inner_text("main")[:3000])
        raise
    assert Batch.objects.get(pk=batch.pk).state == "ready"
del globals()["test_a_whole_day_ends_with_everything_handed_over_and_every_gram_accounted_for"]
