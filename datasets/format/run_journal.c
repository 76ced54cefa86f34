#include "datasets/format/run_journal.h"

#include "datasets/format/file_bytes.h"
#include "datasets/format/json_strict.h"
#include "datasets/format/run_record_json.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum err_code run_journal_format_head(const struct run_record *r, char **text, size_t *length, struct err *e)
{
    struct run_record head = *r; /* with empty lists: it frees nothing */
    json_t *root;
    char *line;
    struct err why;
    head.push_start_us = head.push_end_us = 0;
    head.rows = 0;
    head.frames_missing = head.frames_corrupt = head.gaps = 0;
    head.link_recorded = true;
    head.link = (struct run_link){.clock_ppm = NAN, .clock_standard_uncertainty_ppm = NAN};
    head.durable_within_ms = 0;
    head.events = NULL;
    head.event_count = 0;
    head.link_gaps = NULL;
    head.ended = RUN_INTERRUPTED;
    head.ended_why = "";
    *text = NULL;
    *length = 0;
    if (run_record_to_json(&head, "", &root, &why) != ERR_OK)
        return err_set(e, ERR_CALLER, "the journal of run %d cannot be begun: %.600s", r->number, why.text);
    line = json_dumps(root, JSON_COMPACT | JSON_SORT_KEYS | JSON_REAL_PRECISION(17));
    json_decref(root);
    if (line == NULL)
        return err_set(e, ERR_MEMORY, "no memory for the journal of run %d", r->number);
    *length = strlen(line) + 1;
    /* The line feed takes the place of the final zero byte. */
    line[*length - 1] = '\n';
    *text = line;
    return ERR_OK;
}

/* {key: value} (stolen) and a line feed. */
static size_t format_line(const char *key, json_t *value, char *buffer)
{
    json_t *line = json_pack("{s:o}", key, value);
    size_t length =
        line == NULL ? 0 : json_dumpb(line, buffer, RUN_JOURNAL_LINE_MAX - 1, JSON_COMPACT | JSON_SORT_KEYS);
    json_decref(line);
    if (length == 0 || length > RUN_JOURNAL_LINE_MAX - 1)
        return 0;
    buffer[length] = '\n';
    return length + 1;
}

size_t run_journal_format_event(const struct run_event *event, char *buffer)
{
    return format_line("event", run_event_to_json(event), buffer);
}

size_t run_journal_format_gap(const struct run_gap *gap, char *buffer)
{
    return format_line("gap", run_gap_to_json(gap), buffer);
}

size_t run_journal_format_push_start(int64_t time_us, char *buffer)
{
    return format_line("push_start_us", json_integer(time_us), buffer);
}

struct journal {
    const char *path;
    struct run_record *record;
    struct run_gap *gaps;
    size_t count, room;
};

static enum err_code keep_gap(struct journal *j, const struct json_place *root, struct err *e)
{
    struct json_place p = {NULL, root->file, "gap."};
    struct run_gap gap = {0};
    enum err_code code = json_strict_child(root, "gap", JSON_OBJECT, &p.object, e);
    if (code == ERR_OK)
        code = run_gap_from_json(&p, &gap, e);
    if (code != ERR_OK)
        return code;
    if (j->count > 0 && gap.time_us < j->gaps[j->count - 1].time_us)
        return err_set_at(e, ERR_FILE, j->path, 0, 0, "gap.time_us: %lld is before the gap above (%lld)",
                          (long long)gap.time_us, (long long)j->gaps[j->count - 1].time_us);
    if (j->count == j->room) {
        size_t room = j->room == 0 ? 64 : 2 * j->room;
        struct run_gap *more = realloc(j->gaps, room * sizeof *more);
        if (more == NULL)
            return err_set_at(e, ERR_MEMORY, j->path, 0, 0, "no memory for %zu gaps", room);
        j->gaps = more;
        j->room = room;
    }
    j->gaps[j->count++] = gap;
    return ERR_OK;
}

static enum err_code keep_event(struct journal *j, const struct json_place *root, struct err *e)
{
    struct json_place p = {NULL, root->file, "event."};
    char text[SERIES_EVENT_TEXT_MAX + 1];
    int64_t time_us;
    enum err_code code = json_strict_child(root, "event", JSON_OBJECT, &p.object, e);
    if (code == ERR_OK)
        code = run_event_from_json(&p, &time_us, text, e);
    if (code == ERR_OK && !run_record_add_event(j->record, time_us, text))
        code = err_set_at(e, ERR_MEMORY, j->path, 0, 0, "no memory for its events");
    return code;
}

static enum err_code read_line(struct journal *j, const json_t *json, struct err *e)
{
    const struct json_place p = {json, j->path, ""};
    if (json_object_size(json) == 1 && json_object_get(json, "gap") != NULL)
        return keep_gap(j, &p, e);
    if (json_object_size(json) == 1 && json_object_get(json, "event") != NULL)
        return keep_event(j, &p, e);
    if (json_object_size(json) == 1 && json_object_get(json, "push_start_us") != NULL)
        return json_strict_whole(&p, "push_start_us", 0, RUN_RECORD_TIME_MAX_US, &j->record->push_start_us,
                                 e);
    return err_set_at(e, ERR_FILE, j->path, 0, 0, "a line is an event, a gap or push_start_us");
}

/* The lines behind the first one. What is no JSON at the end of the file is the tail that a crash tore; in
 * front of a line that is good it is damage. */
static enum err_code read_lines(struct journal *j, const char *at, const char *end, struct err *e)
{
    int64_t bad_line = 0;
    const char *feed;
    for (int64_t line = 2; (feed = memchr(at, '\n', (size_t)(end - at))) != NULL; line++, at = feed + 1) {
        json_t *json;
        enum err_code code = json_strict_parse(at, (size_t)(feed - at), j->path, line, &json, NULL);
        if (code == ERR_MEMORY)
            return err_set_at(e, ERR_MEMORY, j->path, line, 0, "no memory to read it");
        if (code != ERR_OK) {
            bad_line = bad_line == 0 ? line : bad_line;
            continue;
        }
        if (bad_line != 0) {
            json_decref(json);
            return err_set_at(e, ERR_FILE, j->path, bad_line, 0, "is not valid JSON");
        }
        code = read_line(j, json, e);
        json_decref(json);
        if (code != ERR_OK) {
            if (e != NULL)
                e->line = line;
            return code;
        }
    }
    return ERR_OK;
}

static enum err_code read_text(struct journal *j, const char *text, size_t length, struct err *e)
{
    const char *feed = memchr(text, '\n', length);
    json_t *head;
    enum err_code code;
    if (feed == NULL)
        return err_set_at(e, ERR_FILE, j->path, 1, 0, "its first line is missing or torn");
    code = json_strict_parse(text, (size_t)(feed - text), j->path, 1, &head, e);
    if (code != ERR_OK)
        return code;
    code = run_record_from_json(head, j->path, j->record, e);
    json_decref(head);
    if (code == ERR_OK && (!j->record->link_recorded || j->record->ended != RUN_INTERRUPTED ||
                           j->record->rows != 0 || j->record->gaps != 0 || j->record->event_count != 0))
        code = err_set_at(
            e, ERR_FILE, j->path, 1, 0,
            "the first line must be the record of a run that was interrupted before its first row");
    if (code != ERR_OK) {
        if (e != NULL)
            e->line = 1;
        return code;
    }
    return read_lines(j, feed + 1, text + length, e);
}

enum err_code run_journal_read_gaps(const char *path, struct run_record *r, struct run_gap **gaps,
                                    size_t *count, struct err *e)
{
    struct journal j = {.path = path, .record = r};
    char *text;
    size_t length;
    enum err_code code = file_bytes_read(path, RUN_JOURNAL_BYTES_MAX, &text, &length, e);
    run_record_from_json(NULL, path, r, NULL);
    if (code == ERR_OK)
        code = read_text(&j, text, length, e);
    free(text);
    if (code != ERR_OK) {
        run_record_free(r);
        free(j.gaps);
        j.gaps = NULL;
        j.count = 0;
    }
    *gaps = j.gaps;
    *count = j.count;
    return code;
}

enum err_code run_journal_read(const char *path, struct run_record *r, struct err *e)
{
    struct run_gap *gaps;
    size_t count;
    enum err_code code = run_journal_read_gaps(path, r, &gaps, &count, e);
    for (size_t i = 0; code == ERR_OK && i < count; i++) {
        if (!run_record_add_gap(r, &gaps[i])) {
            code = err_set_at(e, ERR_MEMORY, path, 0, 0, "no memory for its gaps");
            run_record_free(r);
        }
    }
    free(gaps);
    return code;
}
