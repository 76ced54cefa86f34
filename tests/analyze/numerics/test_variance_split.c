/* Expected numbers are worked out by hand, beside them, or come from R 4.2 and lme4 1.1, as said there.
 * tests/reference/bench.R holds drawn layouts, balanced and not, to R. */
#include "analyze/numerics/quantity.h"
#include "analyze/numerics/variance_split.h"

#include <criterion/criterion.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

static void assert_near(double value, double expected, double relative, const char *what)
{
    cr_assert(fabs(value - expected) <= relative * fabs(expected), "%s: %.15g, expected %.15g", what, value,
              expected);
}

static struct variance_split split(const double *values, size_t n, const struct variance_factor *factors,
                                   size_t count)
{
    struct variance_split s;
    struct err e = {0};
    quantity_init_numerics();
    cr_assert_eq(variance_split(values, n, factors, count, &s, &e), ERR_OK, "%s", e.text);
    cr_assert_eq(s.count, count + 1);
    return s;
}

/* Levels of a full layout, the first place changing slowest; a nested one is numbered through. */
struct layout {
    size_t first[64], second[64], both[64];
};

static struct layout full(size_t n, size_t seconds, size_t repeats)
{
    struct layout l = {0};
    for (size_t i = 0; i < n; i++) {
        l.both[i] = i / repeats;
        l.first[i] = l.both[i] / seconds;
        l.second[i] = l.both[i] % seconds;
    }
    return l;
}

Test(variance_split, nested_by_hand)
{
    /* Two feeders, each mounted twice, each time with two repeats: means 2, 6 and 12, 18; 4 and 15; 9.5.
     * Squares: feeders 4 * 2 * 5.5^2 = 242, mountings 2 * (4 + 4 + 9 + 9) = 52, repeats 2 + 2 + 8 + 8. */
    const double values[8] = {1, 3, 5, 7, 10, 14, 20, 16};
    const struct layout l = full(8, 2, 2);
    const struct variance_factor factors[] = {{"feeder", l.first, 2}, {"mounting", l.both, 4}};
    struct variance_split s = split(values, 8, factors, 2);
    const struct variance_component *c = s.components;
    static const double square[] = {242, 52, 20}, degrees[] = {1, 2, 4}, variance[] = {54, 10.5, 5};
    assert_near(s.mean, 9.5, 1e-15, "mean");
    assert_near(s.total_variance, 69.5, 1e-14, "total");
    for (size_t f = 0; f < 3; f++) {
        cr_assert(c[f].present);
        assert_near(c[f].square, square[f], 1e-14, "square");
        assert_near(c[f].degrees_of_freedom, degrees[f], 0, "degrees");
        assert_near(c[f].mean_square, square[f] / degrees[f], 1e-14, "mean square");
        assert_near(c[f].variance, variance[f], 1e-14, "variance");
        assert_near(c[f].sd, sqrt(variance[f]), 1e-14, "sd");
        assert_near(c[f].share, variance[f] / 69.5, 1e-14, "share");
    }
    assert_near(c[0].f, 242.0 / 26, 1e-14, "F of feeders");
    assert_near(c[0].f_degrees_of_freedom, 2, 1e-14, "below F of feeders");
    assert_near(c[1].f, 26.0 / 5, 1e-14, "F of mountings");
    assert_near(c[1].f_degrees_of_freedom, 4, 1e-14, "below F of mountings");
    /* F(1, 2) and F(2, 4) in closed form. */
    assert_near(c[0].p_value, 1 - sqrt(c[0].f / (c[0].f + 2)), 1e-12, "p of feeders");
    assert_near(c[1].p_value, pow(1 + c[1].f / 2, -2), 1e-12, "p of mountings");
    cr_expect(isnan(c[2].f) && isnan(c[2].p_value) && isnan(c[2].f_degrees_of_freedom));
    /* Satterthwaite; less than one degree of freedom makes no interval. */
    assert_near(c[0].variance_degrees_of_freedom, 216.0 * 216 / (242.0 * 242 + 26.0 * 26 / 2), 1e-14, "df");
    assert_near(c[1].variance_degrees_of_freedom, 21.0 * 21 / (26.0 * 26 / 2 + 5.0 * 5 / 4), 1e-14, "df");
    cr_expect(isnan(c[0].low_95) && isnan(c[0].high_95));
    /* Chi-squared of 4 degrees of freedom, R: qchisq(c(.975, .025), 4). */
    assert_near(c[2].low_95, 20 / 11.1432867818778, 1e-12, "low");
    assert_near(c[2].high_95, 20 / 0.484418557087709, 1e-12, "high");
}

Test(variance_split, three_times_nested_by_hand)
{
    /* Feeders 0 and 16; mountings 3 below and above; runs 1 below and above; repeats 1 below and above. */
    double values[16];
    size_t feeder[16], mounting[16], run[16];
    const struct variance_factor factors[] = {
        {"feeder", feeder, 2}, {"mounting", mounting, 4}, {"run", run, 8}};
    for (size_t i = 0; i < 16; i++) {
        run[i] = i / 2;
        mounting[i] = i / 4;
        feeder[i] = i / 8;
        values[i] =
            16.0 * (double)feeder[i] + (mounting[i] % 2 ? 3 : -3) + (run[i] % 2 ? 1 : -1) + (i % 2 ? 1 : -1);
    }
    struct variance_split s = split(values, 16, factors, 3);
    const struct variance_component *c = s.components;
    static const double square[] = {16 * 64, 16 * 9, 16, 16}, degrees[] = {1, 2, 4, 8};
    for (size_t f = 0; f < 4; f++) {
        assert_near(c[f].square, square[f], 1e-14, "square");
        assert_near(c[f].degrees_of_freedom, degrees[f], 0, "degrees");
    }
    assert_near(c[0].f, 1024.0 / 72, 1e-13, "feeders against mountings");
    assert_near(c[0].f_degrees_of_freedom, 2, 1e-13, "degrees below");
    assert_near(c[1].f, 72.0 / 4, 1e-13, "mountings against runs");
    assert_near(c[2].f, 4.0 / 2, 1e-13, "runs against repeats");
    assert_near(c[0].variance, (1024.0 - 72) / 8, 1e-13, "feeders");
    assert_near(c[1].variance, (72.0 - 4) / 4, 1e-13, "mountings");
    assert_near(c[2].variance, (4.0 - 2) / 2, 1e-13, "runs");
}

Test(variance_split, crossed_by_hand)
{
    /* Two feeders by two operators, two repeats: cell means 2, 6, 11, 18. Feeders 4, 14.5; operators 6.5, 12;
     * mean 9.25. Squares: 8 * 5.25^2 = 220.5; 8 * 2.75^2 = 60.5; what is left of the cells' 2 * sum
     * (cell - 9.25)^2 = 285.5: 4.5; repeats 2 + 2 + 8 + 8. */
    const double values[8] = {1, 3, 5, 7, 9, 13, 20, 16};
    const struct layout l = full(8, 2, 2);
    const struct variance_factor factors[] = {
        {"feeder", l.first, 2}, {"operator", l.second, 2}, {"both", l.both, 4}};
    struct variance_split s = split(values, 8, factors, 3);
    const struct variance_component *c = s.components;
    static const double square[] = {220.5, 60.5, 4.5, 20}, variance[] = {54, 14, -0.25, 5};
    for (size_t f = 0; f < 4; f++) {
        assert_near(c[f].square, square[f], 1e-13, "square");
        assert_near(c[f].degrees_of_freedom, f < 3 ? 1 : 4, 0, "degrees");
        assert_near(c[f].variance, variance[f], 1e-13, "variance");
    }
    assert_near(c[0].f, 49, 1e-13, "feeders against both");
    assert_near(c[1].f, 60.5 / 4.5, 1e-13, "operators against both");
    assert_near(c[1].f_degrees_of_freedom, 1, 1e-13, "degrees below");
    assert_near(c[2].f, 0.9, 1e-13, "both against repeats");
    assert_near(c[2].f_degrees_of_freedom, 4, 1e-13, "degrees below");
    /* A negative estimate stays visible and counts as nothing. */
    cr_expect(c[2].sd == 0 && c[2].share == 0 && isnan(c[2].low_95) && isnan(c[2].high_95));
    assert_near(s.total_variance, 73, 1e-14, "total");
    assert_near(c[0].share, 54.0 / 73, 1e-14, "share");
    /* Without the interaction, its square goes to the residual: 24.5 / 5. */
    s = split(values, 8, factors, 2);
    assert_near(c[2].mean_square, 4.9, 1e-13, "pooled");
    assert_near(c[1].f, 60.5 / 4.9, 1e-13, "operators against pooled");
    assert_near(c[0].variance, (220.5 - 4.9) / 4, 1e-13, "feeders");
}

/* Drawn in R: set.seed(20261128), 4 feeders with 3 mountings of 2 repeats, y = 80 + N(0, 3) + N(0, 1.5) +
 * N(0, 0.7) rounded to two places. summary(aov(y ~ feeder + mounting)), and the variances of
 * lmer(y ~ 1 + (1 | feeder) + (1 | mounting)), REML, its deviance brought to its lowest by Newton's steps, as
 * tests/reference/bench.R does; without these lme4 stops at some seven digits. */
Test(variance_split, nested_as_in_r)
{
    const double values[24] = {78.47, 79.36, 83.81, 82.53, 81.84, 79.71, 77.41, 77.83,
                               78.69, 77.7,  79.21, 79.65, 79.45, 77.47, 78.58, 76.45,
                               79.6,  79.69, 78.64, 77.99, 77.67, 75.98, 79.69, 78.54};
    const struct layout l = full(24, 3, 2);
    const struct variance_factor factors[] = {{"feeder", l.first, 4}, {"mounting", l.both, 12}};
    struct variance_split s = split(values, 24, factors, 2);
    const struct variance_component *c = s.components;
    assert_near(c[0].square, 31.2393, 1e-12, "feeders");
    assert_near(c[1].square, 31.580633333333, 1e-12, "mountings");
    assert_near(c[2].square, 10.692, 1e-12, "residual");
    assert_near(c[1].f, 4.43050, 1e-5, "F of mountings");
    assert_near(c[1].p_value, 0.01061722, 1e-6, "p of mountings");
    assert_near(c[0].variance, 1.077586805572, 1e-9, "feeders");
    assert_near(c[1].variance, 1.528289583334, 1e-9, "mountings");
    assert_near(c[2].variance, 0.890999999998, 1e-9, "residual");
}

/* The same, 4 feeders by 3 operators, 3 repeats: 60 + N(0, 3) + N(0, 2) + N(0, 1.5) + N(0, 0.7). */
Test(variance_split, crossed_as_in_r)
{
    const double values[36] = {60.46, 60.25, 59.4,  63.27, 61.31, 61.85, 54.58, 54.55, 55.49,
                               67.16, 66.01, 65.85, 64.4,  64.57, 63.59, 56.02, 55.86, 55.91,
                               57.53, 58.25, 58.63, 60.09, 59.41, 59.34, 52.26, 53.05, 52.3,
                               60.99, 61.98, 61.1,  60.07, 59.6,  60.23, 52.09, 53.03, 51.87};
    static const double square[] = {145.62478611111, 456.6248, 33.85488888889, 7.7602};
    static const double variance[] = {4.766568210211, 18.555826544248, 1.773046604936, 0.323341666663};
    const struct layout l = full(36, 3, 3);
    const struct variance_factor factors[] = {
        {"feeder", l.first, 4}, {"operator", l.second, 3}, {"both", l.both, 12}};
    struct variance_split s = split(values, 36, factors, 3);
    for (size_t f = 0; f < 4; f++) {
        assert_near(s.components[f].square, square[f], 1e-12, "square");
        assert_near(s.components[f].variance, variance[f], 1e-9, "variance");
    }
    assert_near(s.components[2].p_value, 1.1029e-07, 1e-4, "p of both");
}

/* A vector with this sum of squares, its sum zero. */
static void scale_to(double *x, size_t n, double square)
{
    double mean = 0, sum = 0;
    for (size_t i = 0; i < n; i++)
        mean += x[i] / (double)n;
    for (size_t i = 0; i < n; i++)
        sum += (x[i] - mean) * (x[i] - mean);
    for (size_t i = 0; i < n; i++)
        x[i] = (x[i] - mean) * sqrt(square / sum);
}

/* A published gauge study, 10 parts by 3 operators by 3 trials (textbook example, its figures read in several
 * stored copies): simulated values with the published sums of squares, which alone decide the answer. */
Test(variance_split, gauge_study_comes_out_to_every_printed_digit)
{
    double part[10], person[3], values[90], cell[10][3];
    size_t parts[90], people[90];
    const struct variance_factor factors[] = {{"operator", people, 3}, {"part", parts, 10}};
    struct variance_split s;
    for (size_t i = 0; i < 10; i++)
        part[i] = sin(2.3 * (double)i * (double)i);
    for (size_t j = 0; j < 3; j++)
        person[j] = cos(1.7 * (double)j);
    scale_to(part, 10, 88.361934444 / 9);
    scale_to(person, 3, 3.167262222 / 30);
    for (size_t i = 0; i < 10; i++) { /* interaction: (1, -1, 0) times something with sum zero */
        cell[i][0] = i % 2 == 0 ? 1 : -1;
        cell[i][1] = -cell[i][0];
        cell[i][2] = 0;
    }
    for (size_t i = 0; i < 90; i++) {
        static const double trial[3] = {1, 0, -1};
        parts[i] = i / 9;
        people[i] = i / 3 % 3;
        values[i] = 5 + part[parts[i]] + person[people[i]] +
                    cell[parts[i]][people[i]] * sqrt(.358982222 / 60) + trial[i % 3] * sqrt(2.758933333 / 60);
    }
    s = split(values, 90, factors, 2);
    assert_near(s.components[0].square, 3.167262222, 1e-12, "operators");
    assert_near(s.components[1].square, 88.361934444, 1e-12, "parts");
    assert_near(s.components[2].square, .358982222 + 2.758933333, 1e-12, "pooled");
    cr_expect(fabs(s.components[2].sd - .199933) < 0.5e-6, "repeatability %.9g", s.components[2].sd);
    cr_expect(fabs(s.components[0].sd - .226838) < 0.5e-6, "reproducibility %.9g", s.components[0].sd);
    cr_expect(fabs(hypot(s.components[0].sd, s.components[2].sd) - .302372) < 0.5e-6);
    cr_expect(fabs(s.components[1].sd - 1.042327) < 0.5e-6, "part %.9g", s.components[1].sd);
    cr_expect(fabs(sqrt(s.total_variance) - 1.085300) < 0.5e-6, "total %.9g", sqrt(s.total_variance));
}

Test(variance_split, unequal_numbers_by_hand)
{
    /* Groups of 3, 2, 1 with means 2, 6, 12 about 5: between 3 * 9 + 2 * 1 + 49 = 78, within 2 + 2;
     * expected between: 2 s^2 + (6 - 14/6) s_a^2. */
    const double values[6] = {1, 12, 2, 7, 3, 5};
    const size_t level[6] = {1, 4, 1, 2, 1, 2};
    const struct variance_factor factor = {"feeder", level, 7}; /* four levels do not occur */
    struct variance_split s = split(values, 6, &factor, 1);
    assert_near(s.mean, 5, 1e-15, "mean");
    assert_near(s.components[0].square, 78, 1e-14, "between");
    assert_near(s.components[0].degrees_of_freedom, 2, 0, "degrees");
    assert_near(s.components[1].variance, 4.0 / 3, 1e-14, "residual");
    assert_near(s.components[0].variance, (78 - 2 * 4.0 / 3) / (6 - 14.0 / 6), 1e-14, "feeders");
    assert_near(s.components[0].f, 39 / (4.0 / 3), 1e-14, "F");
}

Test(variance_split, crossed_with_empty_cells_by_hand)
{
    /* Operators 0 and 1, feeders 0, 1, 2; feeder 0 by both, the others by one. First operators, then feeders:
     * the last projection holds operator, feeder of 4 columns. Operator 0: 2, 4, 9; operator 1: 7, 9, 20.
     * Means 5 and 12: square 6 * 3.5^2 = 73.5. Within operators the fit has feeders 1, 2 to themselves and
     * two values of feeder 0 each: rests -1, 1, 0 and -1, 1, 0, square 4 on 2 degrees, and feeders the other:
     * 26 + 98 - 4 = 120 on 2. Of a variance of feeders, operators hold sum n_of^2 / n_o - sum n_f^2 / n =
     * (4 + 1 + 4 + 1) / 3 - (16 + 1 + 1) / 6 = 1/3; feeders after operators 6 - 10 / 3 = 8 / 3. */
    const double values[6] = {2, 4, 9, 7, 9, 20};
    const size_t people[6] = {0, 0, 0, 1, 1, 1}, feeders[6] = {0, 0, 1, 0, 0, 2};
    const struct variance_factor factors[] = {{"operator", people, 2}, {"feeder", feeders, 3}};
    struct variance_split s = split(values, 6, factors, 2);
    const struct variance_component *c = s.components;
    double error;
    assert_near(c[0].square, 73.5, 1e-14, "operators");
    assert_near(c[1].square, 120, 1e-14, "feeders");
    assert_near(c[2].square, 4, 1e-14, "residual");
    assert_near(c[2].degrees_of_freedom, 2, 0, "degrees");
    assert_near(c[1].variance, (120 - 2 * 2) / (8.0 / 3), 1e-13, "variance of feeders");
    /* Operators: expected 3 s_o^2 + 1/3 s_f^2 + s^2. */
    error = c[1].variance / 3 + 2;
    assert_near(c[0].variance, (73.5 - error) / 3, 1e-13, "variance of operators");
    assert_near(c[0].f, 73.5 / error, 1e-13, "F of operators");
    /* That is 1/4 of the feeders' mean square, 3/4 of the residual's. */
    assert_near(error, 60 / 4.0 + 2 * 0.75, 1e-14, "error");
    assert_near(c[0].f_degrees_of_freedom, error * error / (15.0 * 15 / 2 + 1.5 * 1.5 / 2), 1e-13, "degrees");
}

Test(variance_split, denominator_made_of_several_mean_squares)
{
    /* Three factors crossed with their pairs: each single one goes against the sum of its two pairs' mean
     * squares less the residual's. */
    double values[54];
    size_t a[54], b[54], c[54], ab[54], ac[54], bc[54];
    const struct variance_factor factors[] = {{"a", a, 3},   {"b", b, 3},   {"c", c, 3},
                                              {"ab", ab, 9}, {"ac", ac, 9}, {"bc", bc, 9}};
    for (size_t i = 0; i < 54; i++) {
        a[i] = i / 18;
        b[i] = i / 6 % 3;
        c[i] = i / 2 % 3;
        ab[i] = 3 * a[i] + b[i];
        ac[i] = 3 * a[i] + c[i];
        bc[i] = 3 * b[i] + c[i];
        values[i] = sin(3.1 * (double)a[i]) + sin(2.7 * (double)ab[i]) + sin(4.3 * (double)ac[i]) +
                    0.2 * sin(5.9 * (double)i);
    }
    struct variance_split s = split(values, 54, factors, 6);
    const struct variance_component *k = s.components;
    double error = k[3].mean_square + k[4].mean_square - k[6].mean_square;
    double squares = pow(k[3].mean_square, 2) / 4 + pow(k[4].mean_square, 2) / 4 +
                     pow(k[6].mean_square, 2) / k[6].degrees_of_freedom;
    assert_near(k[6].degrees_of_freedom, 54 - 1 - 6 - 12, 0, "residual");
    assert_near(k[0].f, k[0].mean_square / error, 1e-12, "F");
    assert_near(k[0].f_degrees_of_freedom, error * error / squares, 1e-12, "degrees");
    assert_near(k[0].variance, (k[0].mean_square - error) / 18, 1e-12, "variance");
    assert_near(k[3].f, k[3].mean_square / k[6].mean_square, 1e-12, "F of a pair");
    /* Where what is taken away is more than the rest there is no F. */
    for (size_t i = 0; i < 54; i++)
        values[i] = sin(3.1 * (double)a[i]) + sin(5.9 * (double)i);
    s = split(values, 54, factors, 6);
    for (size_t f = 0; f < 3; f++) {
        double below = -k[6].mean_square;
        below += f == 0 ? k[3].mean_square + k[4].mean_square : 0;
        below += f == 1 ? k[3].mean_square + k[5].mean_square : 0;
        below += f == 2 ? k[4].mean_square + k[5].mean_square : 0;
        cr_expect_eq(isnan(k[f].f), !(below > 0), "%zu: %g below", f, below);
    }
}

Test(variance_split, what_the_layout_cannot_tell_apart_is_absent)
{
    /* Every feeder has its own operator. */
    const double values[8] = {1, 3, 5, 7, 10, 14, 20, 16};
    const struct layout l = full(8, 2, 2);
    const size_t people[8] = {3, 3, 2, 2, 1, 1, 0, 0};
    const struct variance_factor factors[] = {
        {"feeder", l.both, 4}, {"operator", people, 4}, {"bench", l.first, 2}};
    struct variance_split s = split(values, 8, factors, 3);
    for (size_t f = 1; f < 3; f++) {
        const struct variance_component *c = &s.components[f];
        cr_expect_not(c->present);
        cr_expect_eq(c->degrees_of_freedom, 0);
        cr_expect(isnan(c->square) && isnan(c->mean_square) && isnan(c->variance) && isnan(c->sd) &&
                  isnan(c->share) && isnan(c->low_95) && isnan(c->f) && isnan(c->p_value));
    }
    assert_near(s.components[0].square, 294, 1e-14, "feeders");
    assert_near(s.components[0].variance, (98 - 5) / 2.0, 1e-14, "both together");
    assert_near(s.components[0].share + s.components[3].share, 1, 1e-14, "shares");
}

Test(variance_split, order_of_values_and_what_all_have_in_common_do_not_matter)
{
    double values[24], moved[24];
    size_t feeder[24], mounting[24], person[24], feeder_2[24], mounting_2[24], person_2[24];
    const struct variance_factor factors[] = {
        {"feeder", feeder, 4}, {"mounting", mounting, 12}, {"operator", person, 3}};
    const struct variance_factor others[] = {
        {"feeder", feeder_2, 9}, {"mounting", mounting_2, 12}, {"operator", person_2, 5}};
    struct variance_split a, b;
    for (size_t i = 0; i < 24; i++) {
        size_t at = i * 7 % 24;
        mounting[i] = i % 11;
        feeder[i] = mounting[i] / 3;
        person[i] = i / 5 % 3;
        values[i] = nearbyint(1000 * sin(1.3 * (double)i) + 400 * (double)feeder[i]);
        feeder_2[at] = 8 - 2 * feeder[i];
        mounting_2[at] = 11 - mounting[i];
        person_2[at] = 4 - person[i];
        moved[at] = values[i] + 1e9;
    }
    a = split(values, 24, factors, 3);
    b = split(moved, 24, others, 3);
    for (size_t f = 0; f < 4; f++) {
        assert_near(b.components[f].square, a.components[f].square, 1e-12, "square");
        assert_near(b.components[f].variance, a.components[f].variance, 1e-11, "variance");
        assert_near(b.components[f].degrees_of_freedom, a.components[f].degrees_of_freedom, 0, "degrees");
    }
}

/* The longest chain of levels that there may be: each operator has feeders i and i + 1, twice, and nothing
 * else joins them. All of 1000 + 999 - 1 effects can be told apart, and the residual is the repeats'. */
Test(variance_split, a_chain_of_a_thousand_levels)
{
    enum { LINKS = 999, N = 4 * LINKS };
    static double values[N];
    static size_t person[N], feeder[N];
    const struct variance_factor factors[] = {{"operator", person, LINKS}, {"feeder", feeder, LINKS + 1}};
    struct variance_split s;
    for (size_t i = 0; i < N; i++) {
        person[i] = i / 4;
        feeder[i] = i / 4 + i % 2;
        values[i] = sin((double)person[i]) + cos(2.0 * (double)feeder[i]) + (i / 2 % 2 == 0 ? 0.01 : -0.01);
    }
    s = split(values, N, factors, 2);
    assert_near(s.components[0].degrees_of_freedom, LINKS - 1, 0, "operators");
    assert_near(s.components[1].degrees_of_freedom, LINKS, 0, "feeders");
    assert_near(s.components[2].degrees_of_freedom, N - 2 * LINKS, 0, "residual");
    assert_near(s.components[2].square, N * 1e-4, 1e-9, "residual");
}

Test(variance_split, no_factors_leave_the_plain_variance)
{
    const double values[4] = {1, 2, 4, 9};
    struct variance_split s = split(values, 4, NULL, 0);
    assert_near(s.components[0].variance, (9 + 4 + 0 + 25) / 3.0, 1e-14, "variance");
    assert_near(s.components[0].share, 1, 0, "share");
}

Test(variance_split, repeats_that_agree_exactly_have_no_f)
{
    /* Each value is exactly what its feeder and its operator add up to: what the sums leave in the last digit
     * is no scatter. */
    double values[100];
    size_t feeder[100], person[100];
    const struct variance_factor factors[] = {{"feeder", feeder, 10}, {"operator", person, 10}};
    struct variance_split s;
    for (size_t i = 0; i < 100; i++) {
        feeder[i] = i % 10;
        person[i] = i / 10;
        values[i] = 41.3 + 0.1 * (double)feeder[i] + 0.3 * (double)person[i];
    }
    s = split(values, 100, factors, 2);
    cr_expect_eq(s.components[2].square, 0);
    cr_expect_eq(s.components[2].variance, 0);
    cr_expect_eq(s.components[2].share, 0);
    cr_expect(isnan(s.components[0].f) && isnan(s.components[0].p_value) && isnan(s.components[1].f));
    assert_near(s.components[0].variance, 10 * 0.01 * 8.25 / 9, 1e-12, "feeders");
    assert_near(s.components[0].share, 0.1, 1e-12, "share");
}

Test(variance_split, what_cannot_be_answered_says_so)
{
    const double values[4] = {1, 2, 4, 8}, same[4] = {0.3, 0.3, 0.3, 0.3}, bad[4] = {1, NAN, 3, 4};
    const double huge[4] = {1e300, -1e300, 2e300, 1e300};
    const size_t each[4] = {0, 1, 2, 3}, pairs[4] = {0, 0, 1, 1}, high[4] = {0, 0, 1, 2};
    const struct variance_factor own = {"feeder", each, 4}, two = {"feeder", pairs, 2};
    const struct variance_factor out = {"feeder", high, 2}, none = {"feeder", pairs, 0};
    const struct variance_factor many = {"feeder", pairs, VARIANCE_SPLIT_LEVELS_MAX + 1};
    struct variance_factor seven[VARIANCE_SPLIT_FACTORS_MAX + 1];
    struct variance_split s;
    struct err e;
    quantity_init_numerics();
    for (size_t f = 0; f <= VARIANCE_SPLIT_FACTORS_MAX; f++)
        seven[f] = two;
    cr_expect_eq(variance_split(values, 4, &own, 1, &s, &e), ERR_NO_ANSWER);
    cr_expect(strstr(e.text, "leave nothing") != NULL, "%s", e.text);
    cr_expect_eq(variance_split(same, 4, &two, 1, &s, &e), ERR_NO_ANSWER);
    cr_expect(strstr(e.text, "do not scatter") != NULL, "%s", e.text);
    cr_expect_eq(variance_split(bad, 4, &two, 1, &s, &e), ERR_NO_ANSWER);
    cr_expect(strstr(e.text, "value 2 of 4") != NULL, "%s", e.text);
    cr_expect_eq(variance_split(huge, 4, &two, 1, &s, &e), ERR_NO_ANSWER);
    cr_expect(strstr(e.text, "too great") != NULL, "%s", e.text);
    cr_expect_eq(variance_split(values, 1, &two, 1, &s, &e), ERR_NO_ANSWER);
    cr_expect(strstr(e.text, "needs two") != NULL, "%s", e.text);
    cr_expect_eq(variance_split(values, 0, NULL, 0, &s, &e), ERR_NO_ANSWER);
    cr_expect_eq(variance_split(values, 4, &out, 1, &s, &e), ERR_CALLER);
    cr_expect(strstr(e.text, "value 4 is of level 3 of 2") != NULL, "%s", e.text);
    cr_expect_eq(variance_split(values, 4, &none, 1, &s, &e), ERR_CALLER);
    cr_expect_eq(variance_split(values, 4, &many, 1, &s, &e), ERR_CALLER);
    cr_expect_eq(variance_split(values, 4, seven, VARIANCE_SPLIT_FACTORS_MAX + 1, &s, &e), ERR_CALLER);
}
