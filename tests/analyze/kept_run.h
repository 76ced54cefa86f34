/* For tests that analyse runs and then sum them up: keeps what was found of a run as a session does. */
#ifndef TESTS_ANALYZE_KEPT_RUN_H
#define TESTS_ANALYZE_KEPT_RUN_H

#include "analyze/run_result.h"

/* Names stay as long as the program. */
static struct run_store kept_store;

/* code, why: what the analysis of the run returned. The whole picture is kept. Freed with run_result_free. */
static inline void kept_run(struct run_result *run, const struct run_record *record,
                            struct run_finding *found, enum err_code code, const char *why)
{
    run->record = record;
    if (code == ERR_OK)
        run_result_keep(run, found, PUSH_PICTURE_COLUMNS, &kept_store, NULL);
    else
        run_result_refuse(run, why, NULL);
}

#endif
