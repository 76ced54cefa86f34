#include "analyze/numerics/steady_level.h"

#include "analyze/numerics/difference.h"
#include "analyze/numerics/linear_fit.h"
#include "analyze/numerics/nonlinear_fit.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

/* Blocks that the readings are averaged in before the approach is fitted, and at most for the scatter of the
 * mean: enough to see their correlation, few enough to hold what is fast. */
#define BLOCKS       120
#define LEVEL_BLOCKS 24
/* The last part, for a first idea of the level. */
static const double LAST_PART = 0.2;
/* The approach is fitted from the last block below this share of that level: what comes before may be gap and
 * contact. */
static const double FROM_SHARE = 0.5;
/* An approach counts as seen when its size is this many times its own standard error. */
static const double SEEN_ERRORS = 4;
/* Without an approach that can be made out, a straight change by more than this share of the level (and by
 * SEEN_ERRORS) over the stretch means that it still rises: so early in its approach no bend is seen. */
static const double STRAIGHT_SHARE = 0.01;

struct blocks {
    size_t n;
    double x[BLOCKS], y[BLOCKS];
};

static struct blocks average(const double *x, const double *y, size_t n, size_t count)
{
    struct blocks b = {.n = count < n ? count : n};
    for (size_t i = 0; i < b.n; i++) {
        size_t from = n * i / b.n, to = n * (i + 1) / b.n;
        for (size_t j = from; j < to; j++) {
            b.x[i] += x[j] / (double)(to - from);
            b.y[i] += y[j] / (double)(to - from);
        }
    }
    return b;
}

/* y = L + A exp(-(x - x0) / constant), parameters {L, A, ln constant}. */
struct approach {
    const double *x;
    double from;
};

static bool approach_at(const double *p, size_t i, double *value, double *slopes, void *context)
{
    const struct approach *a = context;
    double away = (a->x[i] - a->from) * exp(-p[2]), left;
    if (away > 700 || p[2] > 50 || p[2] < -50)
        return false;
    left = exp(-away);
    *value = p[0] + p[1] * left;
    slopes[0] = 1;
    slopes[1] = left;
    slopes[2] = p[1] * left * away;
    return true;
}

/* Mean of the readings from first on, with the standard error from block means and their correlation from
 * block to block. */
static void take_mean(const double *x, const double *y, size_t n, struct steady_level *level)
{
    size_t count = n - level->first;
    struct blocks b = average(x + level->first, y + level->first, count, LEVEL_BLOCKS);
    double mean, sd, along = 0, correlation;
    difference_mean_sd(b.y, b.n, &mean, &sd);
    for (size_t i = 0; i + 1 < b.n; i++)
        along += (b.y[i] - mean) * (b.y[i + 1] - mean);
    /* The correlation seen in n blocks is less than the true one by about 1 / n. */
    correlation = sd > 0 ? along / ((double)(b.n - 1) * sd * sd) + 1 / (double)b.n : 0;
    correlation = fmin(fmax(correlation, 0), 0.9);
    level->count = count;
    level->level = 0;
    for (size_t i = level->first; i < n; i++)
        level->level += y[i] / (double)count;
    level->standard_error = sd / sqrt((double)b.n) * sqrt((1 + correlation) / (1 - correlation));
    level->degrees_of_freedom = fmax(1, ((double)b.n - 1) * (1 - correlation) / (1 + correlation));
}

/* Whether the blocks from `from` on still go up or down in a straight line. */
static bool still_moving(const struct blocks *b, size_t from, double level)
{
    struct linear_fit fit;
    if (linear_fit_polynomial(b->x + from, b->y + from, NULL, b->n - from, 1, true, false, &fit, NULL) !=
        ERR_OK)
        return false;
    double span = b->x[b->n - 1] - b->x[from], change = fabs(fit.coefficients[1]) * span;
    return change > STRAIGHT_SHARE * fabs(level) && change > SEEN_ERRORS * fit.standard_errors[1] * span;
}

/* A whole number of turns, counted from the end. */
static void whole_turns(const double *x, size_t n, double whole_x, struct steady_level *level)
{
    double span = x[n - 1] - x[level->first];
    if (!(whole_x > 0) || span < whole_x)
        return;
    double from = x[n - 1] - floor(span / whole_x) * whole_x;
    while (level->first + 1 < n && x[level->first] < from)
        level->first++;
}

enum err_code steady_level_find(const double *x, const double *y, size_t n, double whole_x,
                                struct steady_level *level, struct err *e)
{
    size_t last = (size_t)(LAST_PART * (double)n), from;
    struct nonlinear_fit fit;
    struct blocks b;
    memset(level, 0, sizeof *level);
    if (n < STEADY_LEVEL_LEAST)
        return err_set(e, ERR_NO_ANSWER, "%zu readings are too few for a steady level", n);
    for (size_t i = 0; i < n; i++) {
        if (!isfinite(x[i]) || !isfinite(y[i]))
            return err_set(e, ERR_NO_ANSWER, "reading %zu is not a finite number", i + 1);
    }
    level->first = n - last;
    take_mean(x, y, n, level);
    level->leads_to = level->level;
    b = average(x, y, n, BLOCKS);
    from = b.n;
    while (from > 0 && b.y[from - 1] > FROM_SHARE * level->level)
        from--;
    double spacing = b.x[1] - b.x[0], end_x = x[n - 1];
    size_t settled_block = from;
    bool seen = false;
    if (b.n - from >= 8) {
        struct approach a = {b.x + from, b.x[from]};
        double span = b.x[b.n - 1] - b.x[from];
        for (int k = 0; k < 3 && !seen; k++) {
            const double start[3] = {level->level, b.y[from] - level->level,
                                     log(fmax(spacing, span / (k == 0   ? 8
                                                               : k == 1 ? 30
                                                                        : 2)))};
            seen = nonlinear_fit(approach_at, &a, b.y + from, NULL, b.n - from, 3, start, false, &fit,
                                 NULL) == ERR_OK &&
                   fabs(fit.parameters[1]) > SEEN_ERRORS * fit.standard_errors[1];
        }
        if (seen) {
            double left = fit.parameters[1], constant = exp(fit.parameters[2]);
            level->approach = constant;
            level->leads_to = fit.parameters[0];
            level->still_missing = -left * exp(-(end_x - a.from) / constant) / level->leads_to;
            double ratio = fabs(left) / (STEADY_LEVEL_SHARE * fabs(level->leads_to));
            double settled_x = a.from + (ratio > 1 ? constant * log(ratio) : 0);
            while (settled_block < b.n && b.x[settled_block] < settled_x)
                settled_block++;
        } else if (still_moving(&b, from, level->level)) {
            settled_block = b.n;
        }
    } else {
        /* All of it is rise. */
        settled_block = b.n;
    }
    /* A rise faster than a block has ended in the next one. */
    size_t first = n * (settled_block + (seen ? 0 : 1)) / b.n;
    level->settled = first < n && (double)(n - first) >= STEADY_LEVEL_PART * (double)n &&
                     end_x - x[first] >= level->approach;
    if (!level->settled)
        return ERR_OK;
    level->first = first;
    whole_turns(x, n, whole_x, level);
    take_mean(x, y, n, level);
    return ERR_OK;
}
