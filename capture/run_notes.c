#include "capture/run_notes.h"

#include "datasets/format/run_journal.h"
#include "datasets/format/sample_grid.h"

#include <math.h>
#include <stdarg.h>
#include <stdio.h>

#define DURABLE_WITHIN_US 200000 /* what is promised; a disk that takes longer is worth an event */

/* The longest time from one sample to the next with none missing between. */
static int64_t longest_interval_us(double rate_hz)
{
    int64_t us = (int64_t)fmin(2e6 / rate_hz, RUN_RECORD_TIME_MAX_US);
    int64_t least_us = 0;
    while (us - least_us > 1) {
        int64_t middle_us = least_us + (us - least_us) / 2;
        if (sample_grid_missing(0, middle_us, rate_hz) > 0)
            us = middle_us;
        else
            least_us = middle_us;
    }
    return least_us;
}

void run_notes_begin(struct run_notes *n, struct run_record *record, struct run_writer *writer)
{
    *n = (struct run_notes){.record = record, .writer = writer};
    run_record_free(record);
    record->push_start_us = record->push_end_us = 0;
    record->frames_missing = record->frames_corrupt = record->gaps = 0;
    record->link_recorded = true;
    record->link = (struct run_link){.clock_ppm = NAN, .clock_standard_uncertainty_ppm = NAN};
    n->next_us = longest_interval_us(record->sample_rate_hz);
}

static void keep(struct run_notes *n, const char *line, size_t length)
{
    if (n->writer != NULL)
        run_writer_journal(n->writer, line, length);
}

void run_notes_event(struct run_notes *n, int64_t time_us, const char *format, ...)
{
    char line[RUN_JOURNAL_LINE_MAX];
    char text[SERIES_EVENT_TEXT_MAX + 1];
    struct run_event event = {time_us < 0 ? 0 : time_us, text};
    va_list arguments;
    if (n->record->event_count >= SERIES_EVENTS_MAX)
        return;
    va_start(arguments, format);
    vsnprintf(text, sizeof text, format, arguments);
    va_end(arguments);
    run_record_add_event(n->record, event.time_us, text);
    keep(n, line, run_journal_format_event(&event, line));
}

/* Put the newest gap into the record. */
static void settle_gap(struct run_notes *n)
{
    char line[RUN_JOURNAL_LINE_MAX];
    if (!n->have_gap)
        return;
    n->have_gap = false;
    run_record_add_gap(n->record, &n->gap);
    keep(n, line, run_journal_format_gap(&n->gap, line));
}

static void begin_gap(struct run_notes *n, int64_t frames)
{
    settle_gap(n);
    n->have_gap = true;
    n->gap = (struct run_gap){.time_us = n->row_us, .places = 1, .frames = frames};
}

void run_notes_gap(struct run_notes *n, int64_t frames)
{
    begin_gap(n, frames);
}

void run_notes_row(struct run_notes *n, int64_t time_us)
{
    int64_t missing = 0;
    if (n->have_row && time_us - n->row_us > n->next_us)
        missing = sample_grid_missing(n->row_us, time_us, n->record->sample_rate_hz);
    if (missing > 0 && !n->have_gap)
        begin_gap(n, 0);
    if (n->have_gap)
        n->gap.samples = missing;
    settle_gap(n);
    n->have_row = true;
    n->row_us = time_us;
}

void run_notes_push_start(struct run_notes *n, int64_t time_us)
{
    char line[RUN_JOURNAL_LINE_MAX];
    n->record->push_start_us = time_us;
    keep(n, line, run_journal_format_push_start(time_us, line));
}

void run_notes_end(struct run_notes *n, const struct rig_counts *counts)
{
    struct run_record *record = n->record;
    settle_gap(n);
    record->frames_corrupt = counts->frames_corrupt;
    record->link.frames_repeated = counts->frames_duplicate;
    record->link.frames_late = counts->frames_late;
    record->link.samples_backward = counts->samples_backward;
}

void run_notes_written(struct run_record *record, const struct run_written *written)
{
    struct run_notes n = {.record = record};
    record->rows = written->rows;
    record->durable_within_ms = (double)written->durable_within_us / 1000;
    if (written->durable_within_us > DURABLE_WITHIN_US)
        run_notes_event(&n, record->push_end_us, "slow disk: it took up to %.0f ms until a row was durable",
                        record->durable_within_ms);
}

enum err_code run_notes_cut_back(struct run_record *record, const char *rows_path, struct err *e)
{
    struct run_link *link = &record->link;
    struct run_columns columns;
    int64_t last_us;
    enum err_code code = run_csv_read(rows_path, &columns, e);
    if (code != ERR_OK)
        return code;
    last_us = columns.n > 0 ? columns.time_us[columns.n - 1] : 0;
    link->samples_missing = sample_grid_count(&columns, record->sample_rate_hz, NULL);
    run_columns_free(&columns);
    if (record->push_start_us > last_us)
        record->push_start_us = last_us;
    if (record->push_end_us > last_us)
        record->push_end_us = last_us;
    for (size_t i = 0, listed = 0; i < link->gap_count; i++) {
        struct run_gap *gap = &record->link_gaps[i];
        if (gap->time_us >= last_us) {
            gap->time_us = last_us;
            gap->samples = 0;
        } else if (i == SERIES_GAPS_MAX - 1) {
            gap->samples = link->samples_missing - (int64_t)listed; /* those of its places that were kept */
        }
        listed += (size_t)gap->samples;
    }
    return ERR_OK;
}
