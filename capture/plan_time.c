#include "capture/plan_time.h"

#include "capture/bench_setup.h"

#include <math.h>

double plan_time_way_s(double travel_mm, double speed_mm_s, double acceleration_mm_s2)
{
    double ramps_mm = speed_mm_s * speed_mm_s / acceleration_mm_s2; /* both together */
    if (travel_mm < ramps_mm)
        return 2 * sqrt(travel_mm / acceleration_mm_s2);
    return travel_mm / speed_mm_s + speed_mm_s / acceleration_mm_s2;
}

static int ways_of(const struct plan_test *test)
{
    return test->kind == PLAN_REVERSAL ? 2 * test->cycles : 1;
}

double plan_time_run_s(const struct plan *p, const struct plan_run *run)
{
    const struct plan_test *test = &p->tests[run->test];
    return p->rest_before_s + p->rest_after_s +
           ways_of(test) * plan_time_way_s(test->travel_mm, run->speed_mm_s, test->acceleration_mm_s2);
}

double plan_time_feed_mm(const struct plan *p, const struct plan_run *run)
{
    return p->tests[run->test].travel_mm;
}

void plan_time_series(const struct plan *p, const struct plan_run *runs, size_t count, struct plan_time *t)
{
    struct bench_setup bench;
    bench_setup_init(&bench, p, runs, count);
    *t = (struct plan_time){.runs = count};
    for (size_t i = 0; i < count; i++) {
        char text[BENCH_SETUP_TEXT_MAX];
        t->rig_s += plan_time_run_s(p, &runs[i]);
        t->feed_mm[runs[i].feeder] += plan_time_feed_mm(p, &runs[i]);
        if (i == 0 || runs[i].feeder != runs[i - 1].feeder || runs[i].block != runs[i - 1].block)
            t->mountings++;
        else if (bench_setup_change(&bench, i, text, sizeof text))
            t->changes++;
    }
}
