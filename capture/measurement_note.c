#include "capture/measurement_note.h"

#include "rig/base/err.h"

#include <math.h>
#include <stdio.h>
#include <string.h>
#include <time.h>

#define SIMULATED_PREFIX "simulated "

void measurement_note_date(char *text, size_t size)
{
    time_t now = time(NULL);
    struct tm utc;
    gmtime_r(&now, &utc);
    strftime(text, size, "%Y-%m-%dT%H:%M:%SZ", &utc);
}

json_t *measurement_note_new(const char *schema, const char *date, const struct wire_identity *rig,
                             double sample_rate_hz)
{
    bool simulated = rig->time_scale_milli != 1000 ||
                     strncmp(rig->firmware, SIMULATED_PREFIX, strlen(SIMULATED_PREFIX)) == 0;
    char serial[sizeof rig->serial];
    char firmware[sizeof rig->firmware];
    snprintf(serial, sizeof serial, "%s", rig->serial);
    snprintf(firmware, sizeof firmware, "%s", rig->firmware);
    return json_pack("{s:s, s:s, s:b, s:{s:s, s:s, s:I, s:f, s:i, s:i}}", "schema", schema, "date", date,
                     "simulated", simulated, "rig", "serial", err_clean_text(serial), "firmware",
                     err_clean_text(firmware), "boot", (json_int_t)rig->boot, "sample_rate_hz",
                     sample_rate_hz, "counts_min", (int)rig->counts_min, "counts_max", (int)rig->counts_max);
}

json_t *measurement_note_number(double value)
{
    return isnan(value) ? json_null() : json_real(value);
}
