#include "datasets/format/run_csv_row.h"

#include <stdio.h>

size_t run_csv_format_row(const struct raw_sample *s, bool encoder, char *buffer)
{
    int n;
    if (encoder)
        n = snprintf(buffer, RUN_CSV_ROW_BYTES_MAX, "%lld,%d,%d,%d,%u\n", (long long)s->time_us,
                     s->force_counts, s->commanded_steps, s->encoder_counts, s->flags);
    else
        n = snprintf(buffer, RUN_CSV_ROW_BYTES_MAX, "%lld,%d,%d,,%u\n", (long long)s->time_us,
                     s->force_counts, s->commanded_steps, s->flags);
    return (size_t)n;
}
