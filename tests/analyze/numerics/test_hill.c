#include "analyze/numerics/hill.h"

#include <criterion/criterion.h>
#include <math.h>

struct counted {
    double at, width, bend;
    int calls;
};

/* A hill with a summit of 3 at `at`, steeper on one side. */
static double height(double x, void *context)
{
    struct counted *c = context;
    double u = (x - c->at) / c->width;
    c->calls++;
    return 3 - u * u * (1 + c->bend * tanh(u));
}

/* The summit of a roof. */
static double roof(double x, void *context)
{
    struct counted *c = context;
    c->calls++;
    return 3 - fabs(x - c->at) * (x > c->at ? 2.5 : 1);
}

static double climb(struct counted *c, double (*f)(double, void *), double low, double at, double high,
                    double rise)
{
    struct hill hill = {f, c};
    double top = at, top_height = f(at, c);
    hill_climb(&hill, low, f(low, c), high, f(high, c), rise, &top, &top_height);
    return top;
}

Test(hill, summits_are_found_in_few_steps)
{
    static const double bends[] = {0, 0.3, -0.7};
    for (size_t i = 0; i < sizeof bends / sizeof bends[0]; i++) {
        struct counted c = {0.37, 0.8, bends[i], 0};
        double top = climb(&c, height, -1, 0.1, 2, 1e-10);
        cr_expect_float_eq(top, 0.37, 1e-4, "bend %g: %g", bends[i], top);
        cr_expect_leq(c.calls, 14, "%d calls", c.calls);
    }
}

Test(hill, a_summit_next_to_an_end_is_found_from_the_end)
{
    struct counted low = {0.37, 0.8, 0.2, 0}, high = {0.37, 0.8, 0.2, 0}, past = {-2, 0.8, 0, 0};
    cr_expect_float_eq(climb(&low, height, 0.3, 0.3, 2, 1e-10), 0.37, 1e-4);
    cr_expect_float_eq(climb(&high, height, -1, 0.45, 0.45, 1e-10), 0.37, 1e-4);
    cr_expect_eq(climb(&past, height, 0.1, 0.1, 2, 1e-10), 0.1, "the summit lies outside");
}

Test(hill, a_roof_is_climbed_too)
{
    struct counted c = {0.37, 1, 0, 0};
    cr_expect_float_eq(climb(&c, roof, -1, 0.1, 2, 1e-6), 0.37, 0.02);
}

Test(hill, the_place_of_a_level_is_not_below_it)
{
    static const double levels[] = {2.9, 2, -1, -40};
    for (size_t i = 0; i < sizeof levels / sizeof levels[0]; i++) {
        struct counted c = {0.37, 0.8, 0.4, 0};
        struct hill hill = {height, &c};
        double outside = 9, place = hill_crossing(&hill, levels[i], 0.37, 3, outside, height(outside, &c));
        double above = height(place, &c) - levels[i];
        cr_expect(above >= 0 && above <= 1.001e-3 * (3 - levels[i]), "level %g: %g above", levels[i], above);
        cr_expect_leq(c.calls, 20, "%d calls", c.calls);
    }
}
