#include "analyze/picture_share.h"

#include "analyze/bench_test.h"
#include "analyze/run_result.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

bool picture_share_wanted(const struct session *session, const struct run_result *run)
{
    double reference = session->reference_speed_mm_s;
    return bench_test_is_plain_push(run->record->test) && run->record->ended != RUN_INTERRUPTED &&
           run->record->ended != RUN_FAULT && run->record->repeated_by == 0 &&
           fabs(run->record->speed_mm_s - reference) <= 1e-6 * fabs(reference);
}

size_t picture_share_columns(const struct session *session, size_t feeder)
{
    size_t panels = 0;
    for (size_t i = 0; i < session->run_count && panels < PICTURE_SHARE_PANELS_MAX; i++)
        panels += session->runs[i].feeder == feeder && picture_share_wanted(session, &session->runs[i]);
    return PICTURE_SHARE_COLUMNS / (panels > 0 ? panels : 1);
}

enum err_code picture_share_begin(struct picture_share *share, const struct session *session, struct err *e)
{
    share->feeder = calloc(session->feeder_count + 1, sizeof *share->feeder);
    if (share->feeder == NULL)
        return err_set(e, ERR_MEMORY, "not enough memory for the pictures of the runs");
    for (size_t i = 0; i < session->feeder_count; i++)
        share->feeder[i].columns = picture_share_columns(session, i);
    return ERR_OK;
}

void picture_share_end(struct picture_share *share)
{
    free(share->feeder);
    share->feeder = NULL;
}

size_t picture_share_of(const struct picture_share *share, const struct session *session, size_t run)
{
    const struct run_result *r = &session->runs[run];
    return picture_share_wanted(session, r) ? share->feeder[r->feeder].columns : 0;
}

void picture_share_take(struct picture_share *share, struct session *session, size_t run)
{
    size_t feeder = session->runs[run].feeder, count = share->feeder[feeder].count;
    size_t *shown = share->feeder[feeder].run, last = run, at = count;
    if (count == PICTURE_SHARE_PANELS_MAX) {
        last = shown[count - 1] > run ? shown[count - 1] : run;
        run_result_forget_picture(&session->runs[last]);
        if (last == run)
            return;
        at = --count;
    }
    for (; at > 0 && shown[at - 1] > run; at--)
        shown[at] = shown[at - 1];
    shown[at] = run;
    share->feeder[feeder].count = count + 1;
}
