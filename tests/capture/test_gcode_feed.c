#include "capture/bench_file.h"
#include "capture/gcode_feed.h"

#include <criterion/criterion.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* Where a trapezoid is, from its own formula: the outside check on the pieces. */
static double trapezoid_mm(double t, double v, double a, double travel)
{
    double peak = fmin(v, sqrt(a * travel));
    double ramp = peak / a;
    double cruise = (travel - peak * peak / a) / peak;
    if (t < ramp)
        return a * t * t / 2;
    if (t < ramp + cruise)
        return peak * peak / (2 * a) + peak * (t - ramp);
    t = fmin(t - ramp - cruise, ramp);
    return peak * peak / (2 * a) + peak * cruise + peak * t - a * t * t / 2;
}

static void check_travel(double v, double a, int64_t goal)
{
    struct gcode_feed f;
    struct gcode_piece p;
    int64_t at = 0;
    double end_s = 0;
    double travel = (double)llabs(goal) * GCODE_UNIT_MM;
    int direction = goal < 0 ? -1 : 1;
    cr_assert(gcode_feed_begin(&f, 0, goal, true, direction * v, a));
    while (gcode_feed_next(&f, &p)) {
        char line[GCODE_LINE_MAX];
        double way, rate;
        cr_assert_eq(p.from, at);
        cr_assert_float_eq(p.start_s, end_s, 1e-12);
        cr_assert(p.end_s > p.start_s && p.end_s - p.start_s <= GCODE_PIECE_S + 1e-9);
        cr_assert(direction * (p.to - p.from) >= 0, "it never turns round");
        gcode_feed_line(&p, "G1", 'E', line, sizeof line);
        cr_assert_eq(sscanf(line, "G1 E%lf F%lf", &way, &rate), 2, "%s", line);
        cr_assert_float_eq(way, (double)(p.to - p.from) * GCODE_UNIT_MM, 1e-9);
        /* The rate makes the way last as long as the piece. */
        if (p.to != p.from)
            cr_assert_float_eq(fabs(way) / rate * 60, p.end_s - p.start_s,
                               1e-4 / rate * (p.end_s - p.start_s));
        gcode_feed_take(&f, &p);
        at = p.to;
        end_s = p.end_s;
        cr_assert_float_eq(direction * (double)at * GCODE_UNIT_MM, trapezoid_mm(end_s, v, a, travel),
                           1.01 * GCODE_UNIT_MM);
        /* Within a piece a straight line stands for a parabola: at most a dt^2 / 8 from it. */
        double middle = (p.start_s + p.end_s) / 2;
        cr_assert_float_eq(direction * gcode_feed_position(&f, middle) * GCODE_UNIT_MM,
                           trapezoid_mm(middle, v, a, travel),
                           a * GCODE_PIECE_S * GCODE_PIECE_S / 8 + 1.01 * GCODE_UNIT_MM);
    }
    cr_expect_eq(at, goal, "the pieces add up to the travel to the last digit");
    cr_expect_eq(gcode_feed_end(&f), goal);
    cr_expect_float_eq(gcode_feed_position(&f, end_s + 1), (double)goal, 1e-9);
}

Test(gcode_feed, pieces_follow_the_trapezoid_and_add_up_exactly)
{
    check_travel(2.385, 117, 834567);
    check_travel(2.385, 117, -834567);
    check_travel(50, 2500, 1400001);
    check_travel(10, 20, 100003);     /* no room for the whole speed */
    check_travel(0.0137, 0.05, 4321); /* slow, with long ramps */
    check_travel(100, 1e5, 1);        /* one unit */
}

Test(gcode_feed, what_cannot_be_carried_out_is_refused)
{
    struct gcode_feed f;
    cr_expect_not(gcode_feed_begin(&f, 0, 100, true, 0.0005, 10));
    cr_expect_not(gcode_feed_begin(&f, 0, 100, true, 1, 0.001));
    cr_expect_not(gcode_feed_begin(&f, 5, 5, true, 1, 10));
    cr_expect_not(gcode_feed_begin(&f, 0, 100, true, NAN, 10));
    cr_expect(gcode_feed_begin(&f, 0, 100, true, 1, 10));
}

Test(gcode_feed, a_stop_ramps_down_behind_what_was_handed_out)
{
    struct gcode_feed f;
    struct gcode_piece p;
    int64_t before;
    double at_s;
    cr_assert(gcode_feed_begin(&f, 700, 0, false, -5, 20));
    for (int i = 0; i < 6; i++) {
        cr_assert(gcode_feed_next(&f, &p));
        gcode_feed_take(&f, &p);
    }
    before = gcode_feed_end(&f);
    at_s = gcode_feed_end_s(&f);
    gcode_feed_stop(&f);
    while (gcode_feed_next(&f, &p)) {
        cr_assert(p.to <= p.from);
        gcode_feed_take(&f, &p);
    }
    /* 0.25 s of ramp and 3 pieces of 5 mm/s have passed, so the speed is 5 mm/s: v^2 / 2a = 0.625 mm, 0.25 s.
     */
    cr_expect_eq(gcode_feed_end(&f), before - 62500);
    cr_expect_float_eq(gcode_feed_end_s(&f) - at_s, 0.25, 1e-9);
}

Test(gcode_feed, a_stop_before_the_first_piece_moves_nothing)
{
    struct gcode_feed f;
    struct gcode_piece p;
    cr_assert(gcode_feed_begin(&f, 700, 9000, true, 5, 20));
    gcode_feed_stop(&f);
    cr_expect_not(gcode_feed_next(&f, &p));
    cr_expect_eq(gcode_feed_end(&f), 700);
}

Test(gcode_feed, the_way_back_to_an_older_time_is_kept)
{
    struct gcode_feed f;
    struct gcode_piece p;
    cr_assert(gcode_feed_begin(&f, 0, 0, false, 4, 1e6));
    for (int i = 0; i < 1000; i++) {
        cr_assert(gcode_feed_next(&f, &p));
        gcode_feed_take(&f, &p);
    }
    cr_expect_float_eq(gcode_feed_position(&f, gcode_feed_end_s(&f) - 5),
                       (double)gcode_feed_end(&f) - 20 / GCODE_UNIT_MM, 1, "5 s ago");
    cr_expect_float_eq(gcode_feed_position(&f, -3), gcode_feed_position(&f, 0), 1e-9);
}

Test(gcode_feed, answers_are_told_by_how_they_begin)
{
    struct bench_feed b = {.accepted = "ok", .refused = {"error", "!!"}, .refused_count = 2};
    cr_expect_eq(gcode_feed_answer(&b, "ok"), GCODE_ACCEPTED);
    cr_expect_eq(gcode_feed_answer(&b, " ok T:20"), GCODE_ACCEPTED);
    cr_expect_eq(gcode_feed_answer(&b, "error: 9"), GCODE_REFUSED);
    cr_expect_eq(gcode_feed_answer(&b, "!! stopped"), GCODE_REFUSED);
    cr_expect_eq(gcode_feed_answer(&b, "echo: G1 ok"), GCODE_OTHER);
    cr_expect_eq(gcode_feed_answer(&b, ""), GCODE_OTHER);
}
