#include "analyze/effective_feed.h"

#include "analyze/run_mean.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>

#define PRELOADS_MAX 12
/* A fall of the feed with preload counts when it is more than so many standard uncertainties. */
#define DENT_SDS 3.0
/* And more than this share: counts tell far smaller falls apart, which matter to nobody. */
#define DENT_LEAST 1e-4
/* Preloads nearer than this, N, are the same. */
#define SAME_PRELOAD_N 1e-6

static const char KEY[] = "effective_feed_ratio";
static const char LABEL[] = "measured over commanded feed";

struct at_preload {
    double preload_n;
    struct quantity q;
};

double effective_feed_encoder_relative(const struct calibration *c)
{
    return c->encoder_mm_per_count != 0
               ? c->encoder_standard_uncertainty_mm_per_count / fabs(c->encoder_mm_per_count)
               : 0;
}

static double preload_of(const struct run_result *run)
{
    const struct conditions *c = run_record_conditions(run->record);
    return c->stated[CONDITION_NIP_PRELOAD_N] ? c->number[CONDITION_NIP_PRELOAD_N] : 0;
}

static bool has_ratio(const struct run_result *run, size_t which)
{
    return run->analysed && run->quantity_count > which && run->quantities[which].q.present;
}

static int by_preload(const void *a, const void *b)
{
    double p = ((const struct at_preload *)a)->preload_n, q = ((const struct at_preload *)b)->preload_n;
    return p < q ? -1 : p > q;
}

/* Warns where the ratio at one preload is below that at the one before, and stays so. */
static void look_for_dents(const struct at_preload *at, size_t n, double common, struct outcome *o)
{
    const struct at_preload *last = &at[n - 1];
    for (size_t k = 1; k < n; k++) {
        double fall = at[k - 1].q.value - at[k].q.value, variance = 0;
        double whole = at[k - 1].q.value - last->q.value;
        for (size_t j = k - 1; j <= k; j++)
            variance += fmax(0, pow(at[j].q.standard_uncertainty, 2) - common * common);
        if (!(fall > DENT_SDS * sqrt(variance)) || !(fall > DENT_LEAST * at[k - 1].q.value) || !(whole > 0))
            continue;
        outcome_warn(
            o,
            "past %.4g N of nip preload the feed per step falls, by %.2g %% at %.4g N: the filament is "
            "dented",
            at[k - 1].preload_n, 100 * whole / at[k - 1].q.value, last->preload_n);
        return;
    }
}

enum err_code effective_feed_sum_up(const struct run_result *const *runs, size_t count, size_t which,
                                    const struct calibration *calibration, struct outcome *o, struct err *e)
{
    struct at_preload at[PRELOADS_MAX];
    struct quantity *values = malloc((count + 1) * sizeof *values);
    double common = effective_feed_encoder_relative(calibration);
    enum err_code code = ERR_OK;
    size_t n = 0;
    if (values == NULL)
        return err_set(e, ERR_MEMORY, "not enough memory for %zu runs", count);
    for (size_t i = 0; i < count; i++) {
        size_t j = 0;
        if (!has_ratio(runs[i], which))
            continue;
        while (j < n && fabs(at[j].preload_n - preload_of(runs[i])) > SAME_PRELOAD_N)
            j++;
        if (j == n && n < PRELOADS_MAX)
            at[n++].preload_n = preload_of(runs[i]);
        else if (j == n)
            outcome_warn(o, "more than %d nip preloads: %.4g N is left out", PRELOADS_MAX,
                         preload_of(runs[i]));
    }
    qsort(at, n, sizeof *at, by_preload);
    for (size_t k = 0; k < n && code == ERR_OK; k++) {
        struct budget budget, shared;
        char setting[48] = "";
        size_t used = 0;
        for (size_t i = 0; i < count; i++) {
            if (has_ratio(runs[i], which) && fabs(preload_of(runs[i]) - at[k].preload_n) <= SAME_PRELOAD_N)
                values[used++] = runs[i]->quantities[which].q;
        }
        budget_init(&shared);
        run_mean_add(&shared, "scale of the encoder", "1", common, INFINITY, BUDGET_TYPE_B, false);
        at[k].q = run_mean(values, used, &shared, "1", &budget);
        if (n > 1)
            snprintf(setting, sizeof setting, "at %.4g N of nip preload", at[k].preload_n);
        code = outcome_add(o, KEY, setting, LABEL, "1", &at[k].q, &budget, false, e);
    }
    if (n > 1 && code == ERR_OK)
        look_for_dents(at, n, common, o);
    if (n == 0) {
        struct quantity none = quantity_absent();
        code = outcome_add(o, KEY, "", LABEL, "1", &none, NULL, false, e);
    }
    free(values);
    return code;
}
