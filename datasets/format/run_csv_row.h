/* One row of a run file as it is written. Sign convention and columns: run_csv.h. */
#ifndef DATASETS_FORMAT_RUN_CSV_ROW_H
#define DATASETS_FORMAT_RUN_CSV_ROW_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define RUN_CSV_ROW_BYTES_MAX 80

struct raw_sample {
    int64_t time_us; /* rig clock, from the first sample of the run's recording */
    int32_t force_counts;
    int32_t commanded_steps;
    int32_t encoder_counts;
    uint8_t flags;
};

/* Format one row with its line feed into buffer (RUN_CSV_ROW_BYTES_MAX bytes); returns its length. */
size_t run_csv_format_row(const struct raw_sample *s, bool encoder, char *buffer);

/* The same for count rows, one behind the other; buffer has RUN_CSV_ROW_BYTES_MAX bytes for each. */
size_t run_csv_format_rows(const struct raw_sample *rows, size_t count, bool encoder, char *buffer);

#endif
