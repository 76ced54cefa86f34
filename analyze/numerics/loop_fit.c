#include "analyze/numerics/loop_fit.h"

#include "analyze/numerics/linear_fit.h"

#include <gsl/gsl_cdf.h>
#include <gsl/gsl_math.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

/* Samples that a branch must have to be fitted. */
#define SAMPLES_LEAST 20u
/* Means of so many blocks of residuals of one stretch tell how far neighbours are correlated. */
#define CORRELATION_BLOCKS 12u
/* Points of either side of a turn that are searched for breakpoints; more are averaged in blocks. */
#define TURN_POINTS 160u
/* Breakpoints tried at first, and after each narrowing around the best. */
#define GRID_FIRST  24
#define GRID_NARROW 6
#define NARROWINGS  2
/* Bends nearer to each other than this are one. */
#define BEND_SAME_RAD 0.005
/* Then Gauss-Newton steps from there, as long as they help. */
#define STEPS_MOST 12

/* Sums over one or several stretches of residuals. */
struct block_sums {
    double between, within; /* of squares, of block sums over their size, and of samples */
    size_t blocks, samples;
};

/* A stretch of fewer than four samples a block adds nothing. */
static void add_blocks(struct block_sums *s, const double *residuals, size_t n)
{
    size_t size = n / CORRELATION_BLOCKS;
    if (size < 4)
        return;
    for (size_t b = 0; b < CORRELATION_BLOCKS; b++) {
        double sum = 0;
        for (size_t i = b * size; i < (b + 1) * size; i++) {
            sum += residuals[i];
            s->within += residuals[i] * residuals[i];
        }
        s->between += sum * sum / (double)size;
    }
    s->blocks += CORRELATION_BLOCKS;
    s->samples += CORRELATION_BLOCKS * size;
}

/* What blocks tell of a fit's residuals. */
struct block_variance {
    double length;  /* samples that go into one independent residual: by it a fit's variance is multiplied */
    double degrees; /* of freedom of a standard error that is made so */
};

/* Batch means: the variance of block means against that of the samples (G. S. Fishman and L. S. Yarberry,
 * INFORMS Journal on Computing 9 (1997) 296-310, from memory). parameters: what the fit took from the blocks.
 * Blocks are longer than a mains period at the usual rates, for pick-up makes neighbours alike and yet
 * averages out of a fit: the length may be below 1. samples: of the fit, for where they are too few for
 * blocks. */
static struct block_variance block_variance(const struct block_sums *s, size_t samples, size_t parameters)
{
    struct block_variance v = {1, fmax(1, (double)samples - (double)parameters)};
    if (s->blocks <= parameters || !(s->within > 0))
        return v;
    v.degrees = (double)(s->blocks - parameters);
    v.length = s->between / v.degrees / (s->within / (double)s->samples);
    return v;
}

/* Going down from the end, the first sample at which the mean of a few around it is below the level; 0 when
 * none is. */
static size_t last_below(const double *force_n, size_t n, double level_n)
{
    size_t width = n / 400 + 5;
    double sum = 0;
    for (size_t i = n; i-- > 0;) {
        sum += force_n[i] - (i + width < n ? force_n[i + width] : 0);
        if (i + width <= n && sum / (double)width < level_n)
            return i + width / 2;
    }
    return 0;
}

enum err_code loop_fit_zero(const double *feed_mm, const double *force_n, size_t n, double low_n,
                            double high_n, struct loop_zero *zero, struct err *e)
{
    struct linear_fit fit;
    struct block_sums blocks = {0};
    enum err_code code = ERR_OK;
    size_t last = last_below(force_n, n, high_n), first = last_below(force_n, last, low_n), m;
    double *x, *residuals;
    memset(zero, 0, sizeof *zero);
    if (last < first + SAMPLES_LEAST)
        return err_set(e, ERR_NO_ANSWER, "fewer than %u samples between %.3g and %.3g N", SAMPLES_LEAST,
                       low_n, high_n);
    m = last - first;
    x = calloc(2 * m, sizeof *x);
    if (x == NULL)
        return err_set(e, ERR_MEMORY, "not enough memory for %zu samples", m);
    residuals = x + m;
    for (size_t i = 0; i < m; i++)
        x[i] = feed_mm[first + i] - feed_mm[first];
    code = linear_fit_polynomial(x, force_n + first, NULL, m, 2, true, false, &fit, e);
    if (code != ERR_OK)
        goto out;
    for (size_t i = 0; i < m; i++)
        residuals[i] = force_n[first + i] - fit.coefficients[0] -
                       x[i] * (fit.coefficients[1] + x[i] * fit.coefficients[2]);
    add_blocks(&blocks, residuals, m);
    struct block_variance variance_of = block_variance(&blocks, m, 3);
    zero->correlation_length = variance_of.length;
    zero->residual_sd_n = fit.residual_sd;
    zero->degrees_of_freedom = variance_of.degrees;
    zero->first = first;
    zero->last = last;
    /* Newton from the start of the part; the curve is nearly straight. */
    double at = 0, slope = 0;
    for (int i = 0; i < 30; i++) {
        double force = fit.coefficients[0] + at * (fit.coefficients[1] + at * fit.coefficients[2]);
        slope = fit.coefficients[1] + 2 * at * fit.coefficients[2];
        if (!(slope > 0)) {
            code = err_set(e, ERR_NO_ANSWER, "the force between %.3g and %.3g N does not rise with the feed",
                           low_n, high_n);
            goto out;
        }
        at -= force / slope;
    }
    double variance = 0, powers[3] = {1, at, at * at};
    for (int i = 0; i < 3; i++) {
        for (int j = 0; j < 3; j++)
            variance += powers[i] * powers[j] * fit.covariance[i][j];
    }
    zero->feed_mm = feed_mm[first] + at;
    zero->stiffness_n_per_mm = slope;
    zero->standard_error_mm = sqrt(fmax(0, variance) * zero->correlation_length) / slope;
out:
    free(x);
    return code;
}

/* Distance from the turn and force, averaged in blocks where there are many. */
struct side {
    double *way_mm, *force_n;
    size_t n, block;
};

static enum err_code take_side(const double *feed_mm, const double *force_n, size_t first, size_t count,
                               double turn_mm, struct side *s, struct err *e)
{
    s->block = count / TURN_POINTS + 1;
    s->n = count / s->block;
    s->way_mm = calloc(2 * s->n + 1, sizeof *s->way_mm);
    if (s->way_mm == NULL)
        return err_set(e, ERR_MEMORY, "not enough memory for %zu samples", count);
    s->force_n = s->way_mm + s->n;
    for (size_t i = 0; i < s->n * s->block; i++) {
        s->way_mm[i / s->block] += fabs(feed_mm[first + i] - turn_mm) / (double)s->block;
        s->force_n[i / s->block] += force_n[first + i] / (double)s->block;
    }
    return ERR_OK;
}

#define TURN_COLUMNS_MAX 8
#define TURN_COLUMNS     7

/* The columns of the model linear in all but the breakpoint. Forward: force at the turn and a parabola; back:
 * force at the turn, the steep part, and a parabola past it. Without a tube the back is a parabola too. The
 * two forces at the turn are apart: where it really was lies within a count of the commanded feed. */
static void fill_row(double *row, bool forward, double way, double stick, bool has_tube)
{
    double past = fmax(0, way - stick);
    memset(row, 0, TURN_COLUMNS_MAX * sizeof *row);
    if (forward) {
        row[0] = 1;
        row[1] = -way;
        row[2] = way * way;
    } else {
        row[3] = 1;
        row[4] = has_tube ? -fmin(way, stick) : -way;
        row[5] = has_tube ? -past : way * way;
        row[6] = has_tube ? past * past : 0;
    }
}

static size_t columns_of(bool has_tube)
{
    return has_tube ? TURN_COLUMNS : TURN_COLUMNS - 1;
}

struct turn_fit {
    const struct side *forward, *back;
    bool has_tube;
    double *rows, *values;
    struct linear_fit fit;
};

static enum err_code fit_with(struct turn_fit *t, double stick, struct err *e)
{
    size_t n = t->forward->n + t->back->n, p = columns_of(t->has_tube);
    double row[TURN_COLUMNS_MAX];
    for (size_t i = 0; i < n; i++) {
        bool forward = i < t->forward->n;
        const struct side *s = forward ? t->forward : t->back;
        size_t j = forward ? i : i - t->forward->n;
        fill_row(row, forward, s->way_mm[j], stick, t->has_tube);
        memcpy(t->rows + i * p, row, p * sizeof *row);
        t->values[i] = s->force_n[j];
    }
    return linear_fit(t->rows, t->values, NULL, n, p, false, &t->fit, e);
}

/* With the breakpoint as a parameter too: its slope as a column beside the others, so that the covariance
 * holds what not knowing it brings. */
static enum err_code refine(struct turn_fit *t, double stick, struct err *e)
{
    size_t n = t->forward->n + t->back->n, p = TURN_COLUMNS + 1;
    double steep = t->fit.coefficients[4], after = t->fit.coefficients[5], row[TURN_COLUMNS_MAX];
    double bend = t->fit.coefficients[6];
    for (size_t i = 0; i < n; i++) {
        bool forward = i < t->forward->n;
        const struct side *s = forward ? t->forward : t->back;
        size_t j = forward ? i : i - t->forward->n;
        double way = s->way_mm[j];
        fill_row(row, forward, way, stick, true);
        row[7] = !forward && way > stick ? after - steep - 2 * bend * (way - stick) : 0;
        memcpy(t->rows + i * p, row, p * sizeof *row);
    }
    return linear_fit(t->rows, t->values, NULL, n, p, false, &t->fit, e);
}

/* Gauss-Newton steps of the breakpoint, halved while they do not help. Returns the residual sum. */
static double polish(struct turn_fit *t, double most_mm, double best, double *stick)
{
    struct err ignored;
    for (int i = 0; i < STEPS_MOST; i++) {
        double before = best;
        if (fit_with(t, *stick, &ignored) != ERR_OK || refine(t, *stick, &ignored) != ERR_OK)
            return best;
        double by = t->fit.coefficients[7];
        for (double share = 1; share > 0.05; share /= 2) {
            double at = *stick + share * by;
            if (at > 0 && at < most_mm && fit_with(t, at, &ignored) == ERR_OK && t->fit.residual_sum < best) {
                best = t->fit.residual_sum;
                *stick = at;
                break;
            }
        }
        if (best > before * (1 - 1e-9))
            break;
    }
    return best;
}

/* The best breakpoint. Every narrowing looks between the neighbours of the best so far. Returns the residual
 * sum, or INFINITY. */
static double search(struct turn_fit *t, double most_mm, double *stick)
{
    double low = 0, high = most_mm, best = INFINITY;
    struct err ignored;
    for (int round = 0; round <= NARROWINGS; round++) {
        int grid = round == 0 ? GRID_FIRST : GRID_NARROW;
        for (int i = 0; i < grid; i++) {
            double at = low + (high - low) * (i + 0.5) / grid;
            /* The way back starts steeper than it slides. */
            if (fit_with(t, at, &ignored) == ERR_OK && t->fit.residual_sum < best &&
                t->fit.coefficients[4] > t->fit.coefficients[5]) {
                best = t->fit.residual_sum;
                *stick = at;
            }
        }
        if (isinf(best))
            return best;
        double reach = 1.5 * (high - low) / grid;
        low = fmax(0, *stick - reach);
        high = fmin(most_mm, *stick + reach);
    }
    return polish(t, most_mm, best, stick);
}

static void residuals_of(const struct turn_fit *t, size_t p, double *residuals)
{
    size_t n = t->forward->n + t->back->n;
    for (size_t i = 0; i < n; i++) {
        residuals[i] = t->values[i];
        for (size_t j = 0; j < p; j++)
            residuals[i] -= t->fit.coefficients[j] * t->rows[i * p + j];
    }
}

static double quadratic_form(const struct linear_fit *fit, const double *weights)
{
    double sum = 0;
    for (size_t i = 0; i < fit->p; i++) {
        for (size_t j = 0; j < fit->p; j++)
            sum += weights[i] * weights[j] * fit->covariance[i][j];
    }
    return fmax(0, sum);
}

/* Force where the two sides cross, and what each coefficient does to it. */
static double crossing(const double *c, double *slopes)
{
    double gap = c[0] - c[3], steeper = c[4] - c[1];
    /* way beyond the recorded turn = gap / steeper. */
    memset(slopes, 0, TURN_COLUMNS_MAX * sizeof *slopes);
    slopes[0] = 1 + c[1] / steeper;
    slopes[1] = gap / steeper + c[1] * gap / (steeper * steeper);
    slopes[3] = -c[1] / steeper;
    slopes[4] = -c[1] * gap / (steeper * steeper);
    return c[0] + c[1] * gap / steeper;
}

static enum err_code finish(struct turn_fit *t, double stick, struct loop_turn *turn, struct err *e)
{
    double level[TURN_COLUMNS_MAX] = {0}, top[TURN_COLUMNS_MAX] = {1}, ratio[TURN_COLUMNS_MAX];
    size_t p = columns_of(t->has_tube), n = t->forward->n + t->back->n;
    double *residuals = malloc(n * sizeof *residuals);
    enum err_code code = residuals == NULL ? err_set(e, ERR_MEMORY, "not enough memory for %zu samples", n)
                                           : fit_with(t, stick, e);
    if (code == ERR_OK) {
        const double *c = t->fit.coefficients;
        level[3] = 1;
        turn->top_n = c[0];
        turn->slide_n = c[3];
        turn->sticks = t->has_tube;
        residuals_of(t, p, residuals);
        if (t->has_tube) {
            turn->top_n = crossing(c, top);
            turn->slide_n = c[3] - c[4] * stick;
            turn->stick_n_per_mm = c[4];
            turn->stick_mm = stick;
            level[4] = -stick;
            level[7] = -c[4];
            code = refine(t, stick, e);
            p = TURN_COLUMNS + 1;
        }
    }
    if (code == ERR_OK && (!(turn->top_n > 0) || !(turn->slide_n > 0)))
        code = err_set(e, ERR_NO_ANSWER, "the way back does not start from a load");
    if (code == ERR_OK) {
        turn->residual_sd_n = t->fit.residual_sd;
        struct block_sums blocks = {0};
        add_blocks(&blocks, residuals, t->forward->n);
        add_blocks(&blocks, residuals + t->forward->n, t->back->n);
        struct block_variance variance = block_variance(&blocks, n, p);
        turn->correlation_length = variance.length;
        turn->degrees_of_freedom = variance.degrees;
        for (size_t i = 0; i < TURN_COLUMNS_MAX; i++)
            ratio[i] = top[i] / turn->top_n - level[i] / turn->slide_n;
        double more = sqrt(turn->correlation_length);
        turn->top_standard_error_n = more * sqrt(quadratic_form(&t->fit, top));
        turn->slide_standard_error_n = more * sqrt(quadratic_form(&t->fit, level));
        turn->log_ratio = log(turn->top_n / turn->slide_n);
        turn->log_ratio_standard_error = more * sqrt(quadratic_form(&t->fit, ratio));
    }
    free(residuals);
    return code;
}

enum err_code loop_fit_turn(const double *forward_mm, const double *forward_n, size_t forward_count,
                            const double *back_mm, const double *back_n, size_t back_count,
                            double forward_low_n, double back_low_n, double skip_mm, bool has_tube,
                            struct loop_turn *turn, struct err *e)
{
    struct side forward = {0}, back = {0};
    struct turn_fit t = {.forward = &forward, .back = &back, .has_tube = has_tube};
    size_t from = last_below(forward_n, forward_count, forward_low_n), to = back_count;
    size_t width = back_count / 400 + 5, skipped = 0;
    enum err_code code;
    double sum = 0;
    memset(turn, 0, sizeof *turn);
    for (size_t i = 0; i < back_count; i++) {
        sum += back_n[i] - (i >= width ? back_n[i - width] : 0);
        if (i + 1 >= width && sum / (double)width < back_low_n) {
            to = i - width / 2;
            break;
        }
    }
    double turn_mm = forward_mm[forward_count - 1];
    while (forward_count > 0 && fabs(forward_mm[forward_count - 1] - turn_mm) < skip_mm)
        forward_count--;
    while (skipped < back_count && fabs(back_mm[skipped] - turn_mm) < skip_mm)
        skipped++;
    if (forward_count < from + SAMPLES_LEAST || to < skipped + SAMPLES_LEAST)
        return err_set(e, ERR_NO_ANSWER, "fewer than %u samples on one side of the turn", SAMPLES_LEAST);
    code = take_side(forward_mm, forward_n, from, forward_count - from, turn_mm, &forward, e);
    if (code == ERR_OK)
        code = take_side(back_mm, back_n, skipped, to - skipped, turn_mm, &back, e);
    if (code == ERR_OK) {
        t.rows = malloc((forward.n + back.n) * (TURN_COLUMNS_MAX + 1) * sizeof *t.rows);
        if (t.rows == NULL)
            code = err_set(e, ERR_MEMORY, "not enough memory for %zu samples", forward.n + back.n);
    }
    if (code == ERR_OK) {
        double most = back.way_mm[back.n - 1], stick = 0;
        t.values = t.rows + (forward.n + back.n) * TURN_COLUMNS_MAX;
        if (has_tube && isinf(search(&t, most, &stick)))
            code = err_set(e, ERR_NO_ANSWER, "the way back does not start with a steep part");
        if (code == ERR_OK)
            code = finish(&t, stick, turn, e);
    }
    free(t.rows);
    free(forward.way_mm);
    free(back.way_mm);
    return code;
}

double loop_energy_mj(const double *feed_mm, const double *force_n, size_t n, double noise_n,
                      double *standard_error)
{
    double sum = 0, variance = 0;
    for (size_t i = 0; i < n; i++) {
        /* Half of the way from the sample before to the one after is this sample's share. */
        double before = i > 0 ? feed_mm[i] - feed_mm[i - 1] : 0;
        double after = i + 1 < n ? feed_mm[i + 1] - feed_mm[i] : 0;
        double share = (before + after) / 2;
        sum += share * force_n[i];
        variance += share * share * noise_n * noise_n;
    }
    if (standard_error != NULL)
        *standard_error = sqrt(variance);
    return sum;
}

struct bin {
    double back_sum, forward_sum, back_count, forward_count;
};

static void into_bins(const double *commanded_mm, const double *measured_mm, size_t n, double low_mm,
                      double width_mm, size_t count, bool forward, struct bin *bins)
{
    for (size_t i = 0; i < n; i++) {
        double at = (measured_mm[i] - low_mm) / width_mm;
        if (!(at >= 0) || !(at < (double)count))
            continue;
        struct bin *b = &bins[(size_t)at];
        double lost = commanded_mm[i] - measured_mm[i];
        b->forward_sum += forward ? lost : 0;
        b->back_sum += forward ? 0 : lost;
        b->forward_count += forward;
        b->back_count += !forward;
    }
}

enum err_code loop_fit_play(const double *back_commanded_mm, const double *back_measured_mm,
                            size_t back_count, const double *forward_commanded_mm,
                            const double *forward_measured_mm, size_t forward_count, double low_mm,
                            double high_mm, double bin_mm, struct loop_play *play, struct err *e)
{
    size_t count = high_mm > low_mm && bin_mm > 0 ? (size_t)((high_mm - low_mm) / bin_mm) : 0, used = 0;
    double sum = 0, square = 0;
    struct bin *bins;
    memset(play, 0, sizeof *play);
    if (count < 5)
        return err_set(e, ERR_NO_ANSWER, "too short a way with nothing loaded");
    if (count > 400)
        count = 400;
    bins = calloc(count, sizeof *bins);
    if (bins == NULL)
        return err_set(e, ERR_MEMORY, "not enough memory for the play at a turn");
    double width = (high_mm - low_mm) / (double)count;
    into_bins(back_commanded_mm, back_measured_mm, back_count, low_mm, width, count, false, bins);
    into_bins(forward_commanded_mm, forward_measured_mm, forward_count, low_mm, width, count, true, bins);
    for (size_t i = 0; i < count; i++) {
        if (!(bins[i].back_count > 0) || !(bins[i].forward_count > 0))
            continue;
        double d = bins[i].forward_sum / bins[i].forward_count - bins[i].back_sum / bins[i].back_count;
        sum += d;
        square += d * d;
        used++;
    }
    free(bins);
    if (used < 5)
        return err_set(e, ERR_NO_ANSWER, "too few samples on the way with nothing loaded");
    double mean = sum / (double)used;
    double variance = fmax(0, square - (double)used * mean * mean) / (double)(used - 1);
    play->play_mm = mean;
    play->standard_error_mm = sqrt(variance / (double)used);
    play->degrees_of_freedom = (double)used - 1;
    play->bins = used;
    return ERR_OK;
}

/* The runs at the bend of run i. */
struct bend_runs {
    size_t count, before; /* before: of them, those ahead of i */
    double mean, square;  /* of the values; sum of squares about the mean */
    double shared;        /* standard error that they share */
};

static struct bend_runs runs_at(const double *bend_rad, const double *value, const double *shared_error,
                                size_t n, size_t i)
{
    struct bend_runs at = {.shared = shared_error[i]};
    for (size_t j = 0; j < n; j++) {
        if (fabs(bend_rad[j] - bend_rad[i]) > BEND_SAME_RAD)
            continue;
        /* Welford */
        double off = value[j] - at.mean;
        at.before += j < i;
        at.mean += off / (double)++at.count;
        at.square += off * (value[j] - at.mean);
    }
    return at;
}

enum err_code loop_fit_belt(const double *bend_rad, const double *log_ratio, const double *standard_error,
                            const double *shared_error, size_t n, struct loop_belt *belt, struct err *e)
{
    double numerator = 0, denominator = 0, within = 0, about = 0, own = 0, shared = 0;
    memset(belt, 0, sizeof *belt);
    belt->p_value = NAN;
    if (n == 0)
        return err_set(e, ERR_NO_ANSWER, "no run with a force ratio at a bend");
    for (size_t i = 0; i < n; i++) {
        if (!(bend_rad[i] > 0) || !(standard_error[i] > 0) || !isfinite(log_ratio[i]))
            return err_set(e, ERR_NO_ANSWER, "a bend without a force ratio and its uncertainty");
        numerator += 2 * bend_rad[i] * log_ratio[i];
        denominator += 4 * bend_rad[i] * bend_rad[i];
        own += standard_error[i] * standard_error[i] / (double)n;
    }
    belt->n = n;
    belt->friction = numerator / denominator;
    for (size_t i = 0; i < n; i++) {
        struct bend_runs at = runs_at(bend_rad, log_ratio, shared_error, n, i);
        if (at.before > 0)
            continue;
        within += at.square;
        shared += gsl_pow_2(2 * bend_rad[i] * (double)at.count * at.shared / denominator);
        belt->bends++;
    }
    double degrees = (double)(n - belt->bends), against = (double)belt->bends - 1;
    belt->repeated = degrees > 0 && within / degrees > own;
    belt->degrees_of_freedom = belt->repeated ? degrees : INFINITY;
    /* Runs that agree by chance better than each is known by do not make the mean better known. */
    double variance = belt->repeated ? within / degrees : own;
    belt->standard_error = sqrt(variance / denominator);
    belt->shared_error = sqrt(shared);
    for (size_t i = 0; i < n; i++) {
        struct bend_runs at = runs_at(bend_rad, log_ratio, shared_error, n, i);
        double off = at.mean - 2 * bend_rad[i] * belt->friction;
        about += at.before > 0 ? 0 : off * off / (variance / (double)at.count + gsl_pow_2(at.shared));
    }
    if (against > 0 && variance > 0)
        belt->p_value = belt->repeated ? gsl_cdf_fdist_Q(about / against, against, degrees)
                                       : gsl_cdf_chisq_Q(about, against);
    return ERR_OK;
}
