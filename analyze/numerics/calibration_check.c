#include "analyze/numerics/calibration_check.h"

#include "analyze/numerics/calibration_outlier.h"

#include <math.h>
#include <stdbool.h>
#include <stdlib.h>
#include <string.h>

/* Loads further apart than this share of the range cannot have the same reading. */
static const double PLATEAU = 0.02;

struct work {
    const struct calibration_readings *r;
    size_t *groups, loads;
    double load_range, reading_range, greatest_load;
};

void calibration_check_group(const struct calibration_readings *readings, size_t *groups, size_t *loads)
{
    double greatest = 0;
    *loads = 0;
    for (size_t i = 0; i < readings->n; i++)
        greatest = fmax(greatest, fabs(readings->load_n[i]));
    for (size_t i = 0; i < readings->n; i++) {
        size_t j = 0;
        while (j < i &&
               fabs(readings->load_n[i] - readings->load_n[j]) > CALIBRATION_CHECK_SAME_LOAD * greatest)
            j++;
        groups[i] = j < i ? groups[j] : (*loads)++;
    }
}

static enum err_code check_numbers(const struct calibration_readings *r, struct err *e)
{
    if (r->n > CALIBRATION_CHECK_READINGS_MAX)
        return err_set(e, ERR_FILE, "%zu readings are more than the %d a calibration takes", r->n,
                       CALIBRATION_CHECK_READINGS_MAX);
    for (size_t i = 0; i < r->n; i++) {
        if (!isfinite(r->load_n[i]) || !isfinite(r->reading_counts[i]))
            return err_set(e, ERR_FILE,
                           "reading %zu: load or reading is not a finite number: correct it or take the "
                           "row out",
                           i + 1);
        if (r->direction != NULL && r->direction[i] != 1 && r->direction[i] != -1)
            return err_set(e, ERR_FILE,
                           "reading %zu: direction is %d: write 1 for a load put on and -1 for one taken "
                           "off",
                           i + 1, r->direction[i]);
        if (r->load_standard_uncertainty_n != NULL &&
            !(isfinite(r->load_standard_uncertainty_n[i]) && r->load_standard_uncertainty_n[i] >= 0))
            return err_set(e, ERR_FILE,
                           "reading %zu: the uncertainty of its load must be 0 N or more: correct it", i + 1);
    }
    return ERR_OK;
}

static enum err_code check_load_count(struct work *w, struct err *e)
{
    const struct calibration_readings *r = w->r;
    double low = r->n > 0 ? r->load_n[0] : 0, high = low;
    double reading_low = r->n > 0 ? r->reading_counts[0] : 0, reading_high = reading_low;
    for (size_t i = 0; i < r->n; i++) {
        low = fmin(low, r->load_n[i]);
        high = fmax(high, r->load_n[i]);
        reading_low = fmin(reading_low, r->reading_counts[i]);
        reading_high = fmax(reading_high, r->reading_counts[i]);
    }
    w->load_range = high - low;
    w->reading_range = reading_high - reading_low;
    w->greatest_load = fmax(fabs(low), fabs(high));
    if (w->loads < 3)
        return err_set(e, ERR_NO_ANSWER,
                       "%zu reading%s at %zu different load%s do not make a calibration: hang at least 3 "
                       "different loads, spread over the range to be used, and weigh again",
                       r->n, r->n == 1 ? "" : "s", w->loads, w->loads == 1 ? "" : "s");
    if (!(w->reading_range > 0))
        return err_set(e, ERR_NO_ANSWER,
                       "all %zu readings are %g whatever the load: check that the load cell is connected and "
                       "switched on, and weigh again",
                       r->n, reading_low);
    return ERR_OK;
}

static bool is_zero(const struct work *w, size_t reading)
{
    return fabs(w->r->load_n[reading]) <= CALIBRATION_CHECK_SAME_LOAD * w->greatest_load;
}

/* One run: the readings named by rows, in order. Loads may repeat only if all do equally often; no load at
 * all may be read as often as wanted. */
static enum err_code check_repeats(const struct work *w, const size_t *rows, size_t count, struct err *e)
{
    const struct calibration_readings *r = w->r;
    size_t least = SIZE_MAX, most = 0, at = 0;
    for (size_t i = 0; i < count;) {
        size_t same = 1;
        while (i + same < count && w->groups[rows[i + same]] == w->groups[rows[i]])
            same++;
        if (!is_zero(w, rows[i])) {
            least = same < least ? same : least;
            if (same > most) {
                most = same;
                at = i;
            }
        }
        i += same;
    }
    if (most > 0 && most != least)
        return err_set(
            e, ERR_FILE,
            "readings %zu and %zu follow each other with two equal loads, %g N, where others of that run "
            "occur %s: correct load_n if the weights were different, correct direction if the run turned "
            "there, or take one row out",
            rows[at] + 1, rows[at + 1] + 1, r->load_n[rows[at]], least == 1 ? "once" : "less often");
    return ERR_OK;
}

/* What is asked of a run. Order comes last: a load that is out of order because it is wrong by far should be
 * called wrong. */
enum question { REPEATED, IN_ORDER };

/* All readings of one cycle and direction: they make one run, or several when the loads start again. */
static enum err_code check_run(const struct work *w, enum question question, size_t first, size_t *rows,
                               struct err *e)
{
    const struct calibration_readings *r = w->r;
    int direction = r->direction != NULL ? r->direction[first] : 1;
    bool pulled = true; /* no load above 0: "put on" then means a load further below 0 */
    size_t count = 0;
    enum err_code code;
    for (size_t i = 0; i < r->n; i++)
        pulled = pulled && r->load_n[i] <= 0;
    for (size_t i = first; i < r->n; i++) {
        double sign = pulled ? -direction : direction;
        if ((r->direction != NULL && r->direction[i] != direction) ||
            (r->cycle != NULL && r->cycle[i] != r->cycle[first]))
            continue;
        if (count > 0 && w->groups[i] != w->groups[rows[count - 1]] &&
            sign * (r->load_n[i] - r->load_n[rows[count - 1]]) < 0) {
            if (question == IN_ORDER && w->groups[i] != w->groups[rows[0]] && !is_zero(w, i))
                return err_set(
                    e, ERR_FILE,
                    "reading %zu (%g N) comes after reading %zu (%g N) in a run of loads %s: put the "
                    "rows in the order of weighing, or correct load_n, direction or cycle",
                    i + 1, r->load_n[i], rows[count - 1] + 1, r->load_n[rows[count - 1]],
                    direction > 0 ? "put on" : "taken off");
            code = question == REPEATED ? check_repeats(w, rows, count, e) : ERR_OK;
            if (code != ERR_OK)
                return code;
            count = 0;
        }
        rows[count++] = i;
    }
    return question == REPEATED ? check_repeats(w, rows, count, e) : ERR_OK;
}

static enum err_code check_runs(const struct work *w, enum question question, struct err *e)
{
    const struct calibration_readings *r = w->r;
    size_t *rows = calloc(r->n, sizeof *rows);
    enum err_code code = ERR_OK;
    if (rows == NULL)
        return err_set(e, ERR_MEMORY, "no memory to check %zu readings", r->n);
    for (size_t i = 0; i < r->n && code == ERR_OK; i++) {
        size_t j = 0;
        while (j < i && ((r->direction != NULL && r->direction[j] != r->direction[i]) ||
                         (r->cycle != NULL && r->cycle[j] != r->cycle[i])))
            j++;
        if (j == i)
            code = check_run(w, question, i, rows, e);
    }
    free(rows);
    return code;
}

static enum err_code check_saturation(const struct work *w, struct err *e)
{
    static const char REMEDY[] =
        "lower the gain or hang lighter weights and weigh again, or take those rows out";
    const struct calibration_readings *r = w->r;
    for (size_t i = 0; i < r->n; i++) {
        if (r->reading_low_counts < r->reading_high_counts &&
            (r->reading_counts[i] <= r->reading_low_counts || r->reading_counts[i] >= r->reading_high_counts))
            return err_set(e, ERR_NO_ANSWER,
                           "reading %zu (%g N) is %.10g, at the end of the converter's range (saturated): %s",
                           i + 1, r->load_n[i], r->reading_counts[i], REMEDY);
    }
    for (int end = -1; end <= 1; end += 2) {
        size_t extreme = 0, low = 0, high = 0;
        for (size_t i = 1; i < r->n; i++) {
            if (end * r->reading_counts[i] > end * r->reading_counts[extreme])
                extreme = i;
        }
        low = high = extreme;
        for (size_t i = 0; i < r->n; i++) {
            if (r->reading_counts[i] != r->reading_counts[extreme])
                continue;
            low = r->load_n[i] < r->load_n[low] ? i : low;
            high = r->load_n[i] > r->load_n[high] ? i : high;
        }
        if (r->load_n[high] - r->load_n[low] > PLATEAU * w->load_range)
            return err_set(
                e, ERR_NO_ANSWER,
                "readings %zu and %zu are both %.10g, the %s of all, at %g and %g N: the converter looks "
                "saturated: %s",
                low + 1, high + 1, r->reading_counts[extreme], end > 0 ? "greatest" : "least", r->load_n[low],
                r->load_n[high], REMEDY);
    }
    return ERR_OK;
}

static enum err_code check_all(struct work *w, struct err *e)
{
    enum err_code code = check_load_count(w, e);
    if (code == ERR_OK)
        code = check_runs(w, REPEATED, e);
    if (code == ERR_OK)
        code = check_saturation(w, e);
    if (code == ERR_OK)
        code = calibration_outlier(w->r, w->groups, w->loads, e);
    if (code == ERR_OK)
        code = check_runs(w, IN_ORDER, e);
    return code;
}

enum err_code calibration_check(const struct calibration_readings *readings, struct err *e)
{
    struct work w;
    size_t room = readings->n > 0 ? readings->n : 1;
    enum err_code code = check_numbers(readings, e);
    if (code != ERR_OK)
        return code;
    memset(&w, 0, sizeof w);
    w.r = readings;
    w.groups = calloc(room, sizeof *w.groups);
    if (w.groups == NULL) {
        code = err_set(e, ERR_MEMORY, "no memory to check %zu readings", readings->n);
    } else {
        calibration_check_group(readings, w.groups, &w.loads);
        code = check_all(&w, e);
    }
    free(w.groups);
    return code;
}
