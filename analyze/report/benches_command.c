#include "analyze/report/benches_command.h"

#include "analyze/benches.h"
#include "analyze/report/benches_show.h"
#include "rig/base/number.h"

#include <math.h>
#include <string.h>

#define SPEED_MIN_MM_S 1e-6
#define SPEED_MAX_MM_S 1e6

/* Series or a table, and what goes with which. */
static enum err_code read_request(const struct benches_request *r, bool *onset, double *speed_mm_s,
                                  struct err *e)
{
    *speed_mm_s = NAN;
    *onset = r->quantity != NULL && strcmp(r->quantity, "slip_onset_n") == 0;
    if (r->table == NULL && r->series_count == 0)
        return err_set(e, ERR_USAGE, "benches: SERIES or --table is missing; see --help");
    if (r->table != NULL && r->series_count > 0)
        return err_set(e, ERR_USAGE, "--table: goes without series; see --help");
    for (size_t i = 0; r->table != NULL && i < CONDITION_COUNT; i++) {
        if (r->session.accept[i])
            return err_set(e, ERR_USAGE, "--accept: belongs to series; a table has no conditions");
    }
    if (r->table != NULL && (r->quantity != NULL || r->speed != NULL))
        return err_set(e, ERR_USAGE, "%s: belongs to series; a table has the quantity of its own column",
                       r->quantity != NULL ? "--quantity" : "--speed");
    if (r->quantity != NULL && !*onset && strcmp(r->quantity, "stall_force_n") != 0)
        return err_set(e, ERR_USAGE,
                       "--quantity: '%.60s' has no value for each run; stall_force_n and slip_onset_n have",
                       r->quantity);
    return r->speed == NULL ? ERR_OK
                            : number_read_double(r->speed, SPEED_MIN_MM_S, SPEED_MAX_MM_S, "--speed", "mm/s",
                                                 speed_mm_s, e);
}

static enum err_code of_table(const struct benches_request *r, struct benches *benches, struct err *e)
{
    struct bench_table table;
    enum err_code code = bench_table_read(r->table, &table, e);
    if (code != ERR_OK)
        return code;
    code = benches_from_table(&table, r->feeder, benches, e);
    bench_table_free(&table);
    return code;
}

static enum err_code of_series(const struct benches_request *r, bool onset, double speed_mm_s,
                               struct benches *benches, struct session **session, struct err *e)
{
    enum err_code code = session_analyse_with(r->series, r->series_count, &r->session, session, e);
    return code == ERR_OK ? benches_from_session(*session, onset, r->feeder, speed_mm_s, benches, e) : code;
}

/* What a script has to know although everything is printed: an outlier, or a section without an answer. */
static enum err_code judge(const struct benches *benches, struct err *e)
{
    size_t refused = 0, first = 0;
    for (size_t i = benches->count; i-- > 0;) {
        if (!benches->sections[i].answered) {
            refused++;
            first = i;
        }
    }
    if (benches_outlier(benches))
        return err_set(e, ERR_NO_ANSWER,
                       "a bench is an outlier at the 1 %% level: look for its cause before you use the "
                       "standard deviations");
    if (refused > 0)
        return err_set(e, ERR_NO_ANSWER, "%zu of %zu have no answer: %s%s%s", refused, benches->count,
                       benches->sections[first].feeder, benches->sections[first].feeder[0] != 0 ? ": " : "",
                       benches->sections[first].why_not);
    return ERR_OK;
}

enum err_code benches_command(const struct benches_request *r, FILE *out, struct err *e)
{
    struct benches benches = {0};
    struct session *session = NULL;
    bool onset;
    double speed_mm_s;
    enum err_code code = read_request(r, &onset, &speed_mm_s, e);
    if (code == ERR_OK)
        code = r->table != NULL ? of_table(r, &benches, e)
                                : of_series(r, onset, speed_mm_s, &benches, &session, e);
    progress_show_end(r->show);
    if (code == ERR_OK) {
        if (r->json)
            code = benches_json_write(&benches, session, out, e);
        else
            code = benches_text_write(&benches, session, r->width, out, e);
        if (code == ERR_OK)
            code = judge(&benches, e);
        benches_free(&benches);
    }
    session_free(session);
    return code;
}
