/* What a test sets run by run: the same settings, in the same order, in results.json, results.csv and the
 * tables of runs. */
#ifndef ANALYZE_REPORT_RUN_SETTINGS_H
#define ANALYZE_REPORT_RUN_SETTINGS_H

#include "datasets/format/run_record.h"

#include <stdbool.h>

enum run_setting {
    RUN_SETTING_PRELOAD,
    RUN_SETTING_BRAKE,
    RUN_SETTING_TEMPERATURE,
    RUN_SETTING_BEND,
    RUN_SETTING_RATE,
    RUN_SETTINGS
};
extern const struct run_setting_kind {
    const char *key;             /* as in the files, unit included */
    const char *label, *unit;    /* for people */
    enum condition_id condition; /* CONDITION_COUNT: none */
} RUN_SETTING_KINDS[RUN_SETTINGS];

/* The setting of a run; false where it is not stated. */
bool run_settings_number(const struct run_record *r, int setting, double *value);
/* Whether the test of the run sets it, so that a table of its runs needs the column. */
bool run_settings_varied(const struct run_record *r, int setting);

#endif
