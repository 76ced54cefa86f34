#include "datasets/format/run_record.h"

#include "datasets/format/json_field.h"
#include "datasets/format/json_region.h"
#include "datasets/format/json_strict.h"
#include "datasets/format/kept.h"
#include "datasets/format/run_record_json.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define SCHEMA         "nipbench-run-1"
#define FILE_BYTES_MAX (256 * 1024)
/* Past any run: 30 million rows, a day. */
#define ROWS_MAX    (INT64_C(1) << 31)
#define TIME_MAX_US RUN_RECORD_TIME_MAX_US

const char *const RUN_END_NAMES[RUN_ENDS] = {"complete", "limit", "interrupted", "fault"};

/* The simple fields, in tables (json_field.h). */
#define FIELD(name, type, low, high)          JSON_FIELD(struct run_record, name, type, low, high, false)
#define OPTIONAL_FIELD(name, type, low, high) JSON_FIELD(struct run_record, name, type, low, high, true)
#define LINK_FIELD(name, type, low, high)     JSON_FIELD(struct run_link, name, type, low, high, false)
#define SEPARATE_FIELD(name, low, high)                                                                      \
    JSON_FIELD(struct run_separate, name, JSON_FIELD_DOUBLE, low, high, false)
#define GAP_FIELD(name, low, high) JSON_FIELD(struct run_gap, name, JSON_FIELD_INT64, low, high, false)
static const struct json_field FIELDS[] = {
    FIELD(number, JSON_FIELD_INT, 1, 9999),
    OPTIONAL_FIELD(plan_run, JSON_FIELD_INT, 1, PLAN_RUNS_MAX),
    OPTIONAL_FIELD(repeats, JSON_FIELD_INT, 1, 9999),
    FIELD(feeder, JSON_FIELD_TEXT, 0, 0),
    FIELD(speed_mm_s, JSON_FIELD_DOUBLE, 0, 10000),
    FIELD(block, JSON_FIELD_INT, 1, 1000000),
    FIELD(order, JSON_FIELD_INT, 1, 1000000),
    OPTIONAL_FIELD(rate_mm3_s, JSON_FIELD_DOUBLE, 0, 1e6),
    OPTIONAL_FIELD(travel_mm, JSON_FIELD_DOUBLE, 0, 1e6),
    OPTIONAL_FIELD(cycles, JSON_FIELD_INT, 0, 1000),
    OPTIONAL_FIELD(repeat, JSON_FIELD_INT, 0, 1000000),
    OPTIONAL_FIELD(cleaned, JSON_FIELD_BOOL, 0, 0),
    FIELD(drive_diameter_mm, JSON_FIELD_DOUBLE, 0.01, 10000),
    FIELD(drive_diameter_standard_uncertainty_mm, JSON_FIELD_DOUBLE, 0, 10000),
    FIELD(reduction, JSON_FIELD_DOUBLE, 1e-6, 1e6),
    FIELD(teeth, JSON_FIELD_INT, 0, 1000000),
    FIELD(full_steps_per_rev, JSON_FIELD_INT, 1, 1000000),
    FIELD(microsteps, JSON_FIELD_INT, 1, 65536),
    FIELD(mm_per_microstep, JSON_FIELD_DOUBLE, 1e-12, 1000),
    FIELD(simulated, JSON_FIELD_BOOL, 0, 0),
    FIELD(start_time, JSON_FIELD_TIME, 0, 0),
    FIELD(rig_serial, JSON_FIELD_KEPT_TEXT, 0, RUN_RECORD_RIG_TEXT_MAX),
    FIELD(rig_firmware, JSON_FIELD_KEPT_TEXT, 0, RUN_RECORD_RIG_TEXT_MAX),
    FIELD(boot, JSON_FIELD_UINT32, 0, 4294967295.0),
    FIELD(sample_rate_hz, JSON_FIELD_DOUBLE, 0.001, 1e7),
    FIELD(counts_min, JSON_FIELD_INT64, -2147483648.0, 2147483647.0),
    FIELD(counts_max, JSON_FIELD_INT64, -2147483648.0, 2147483647.0),
    FIELD(force_limit_n, JSON_FIELD_DOUBLE, 0, 1e6),
    FIELD(travel_limit_mm, JSON_FIELD_DOUBLE, 0, 1e6),
    FIELD(time_limit_s, JSON_FIELD_DOUBLE, 0, 1e6),
    FIELD(push_start_us, JSON_FIELD_INT64, 0, TIME_MAX_US),
    FIELD(push_end_us, JSON_FIELD_INT64, 0, TIME_MAX_US),
    FIELD(rows, JSON_FIELD_INT64, 0, ROWS_MAX),
    FIELD(frames_missing, JSON_FIELD_INT64, 0, 1e12),
    FIELD(frames_corrupt, JSON_FIELD_INT64, 0, 1e12),
    FIELD(gaps, JSON_FIELD_INT64, 0, 1e12),
    OPTIONAL_FIELD(durable_within_ms, JSON_FIELD_DOUBLE, 0, 1e9),
    FIELD(ended_why, JSON_FIELD_KEPT_TEXT, 0, SERIES_EVENT_TEXT_MAX),
};
#define FIELD_COUNT (sizeof FIELDS / sizeof FIELDS[0])
/* Those that take more than a table. */
static const char *const OTHER_KEYS[] = {"schema", "test", "conditions",          "ended",
                                         "events", "link", "separate_instruments"};
#define OTHER_COUNT (sizeof OTHER_KEYS / sizeof OTHER_KEYS[0])

static const struct json_field LINK_FIELDS[] = {
    LINK_FIELD(frames_repeated, JSON_FIELD_INT64, 0, RUN_RECORD_COUNT_MAX),
    LINK_FIELD(frames_late, JSON_FIELD_INT64, 0, RUN_RECORD_COUNT_MAX),
    LINK_FIELD(samples_missing, JSON_FIELD_INT64, 0, RUN_RECORD_COUNT_MAX),
    LINK_FIELD(samples_backward, JSON_FIELD_INT64, 0, RUN_RECORD_COUNT_MAX),
    LINK_FIELD(clock_ppm, JSON_FIELD_DOUBLE_OR_NULL, -1e9, 1e9),
    LINK_FIELD(clock_standard_uncertainty_ppm, JSON_FIELD_DOUBLE_OR_NULL, 0, 1e9),
};
#define LINK_FIELD_COUNT (sizeof LINK_FIELDS / sizeof LINK_FIELDS[0])
static const struct json_field GAP_FIELDS[] = {
    GAP_FIELD(time_us, 0, TIME_MAX_US),
    GAP_FIELD(places, 1, RUN_RECORD_COUNT_MAX),
    GAP_FIELD(frames, 0, RUN_RECORD_COUNT_MAX),
    GAP_FIELD(samples, 0, RUN_RECORD_COUNT_MAX),
};
#define GAP_FIELD_COUNT (sizeof GAP_FIELDS / sizeof GAP_FIELDS[0])

/* Past any instrument that is of use: a reading in 100 s, an answer after 10 s. */
#define INTERVAL_MAX_S 100
#define LATENCY_MAX_S  10
static const struct json_field SEPARATE_FIELDS[] = {
    SEPARATE_FIELD(force_interval_s, 1e-6, INTERVAL_MAX_S),
    SEPARATE_FIELD(force_interval_sd_s, 0, INTERVAL_MAX_S),
    SEPARATE_FIELD(force_latency_s, 0, LATENCY_MAX_S),
    SEPARATE_FIELD(force_latency_standard_uncertainty_s, 0, LATENCY_MAX_S),
    SEPARATE_FIELD(feed_latency_s, 0, LATENCY_MAX_S),
    SEPARATE_FIELD(feed_latency_standard_uncertainty_s, 0, LATENCY_MAX_S),
    SEPARATE_FIELD(force_resolution_n, 1e-9, 1e6),
};
#define SEPARATE_FIELD_COUNT (sizeof SEPARATE_FIELDS / sizeof SEPARATE_FIELDS[0])

/* Find the word under key in a list of names. */
static enum err_code read_choice(const struct json_place *p, const char *key, const char *const *names,
                                 size_t count, size_t *choice, struct err *e)
{
    char word[PLAN_NAME_MAX + 1];
    enum err_code code = json_strict_text(p, key, word, sizeof word, e);
    if (code != ERR_OK)
        return code;
    for (*choice = 0; *choice < count; ++*choice) {
        if (strcmp(word, names[*choice]) == 0)
            return ERR_OK;
    }
    return err_set_at(e, ERR_FILE, p->file, 0, 0, "%s: '%s' is not known", key, word);
}

enum err_code run_event_from_json(const struct json_place *p, int64_t *time_us, char *text, struct err *e)
{
    static const char *const known[] = {"time_us", "text"};
    enum err_code code = json_strict_whole(p, "time_us", 0, TIME_MAX_US, time_us, e);
    if (code == ERR_OK)
        code = json_strict_text(p, "text", text, SERIES_EVENT_TEXT_MAX + 1, e);
    return code != ERR_OK ? code : json_strict_finish(p, known, 2, e);
}

static enum err_code read_events(const struct json_place *root, struct run_record *r, struct err *e)
{
    const json_t *events;
    enum err_code code = json_strict_child(root, "events", JSON_ARRAY, &events, e);
    if (code == ERR_OK && json_array_size(events) > SERIES_EVENTS_MAX)
        code = err_set_at(e, ERR_FILE, root->file, 0, 0, "events: %zu are too many; at most %d are allowed",
                          json_array_size(events), SERIES_EVENTS_MAX);
    for (size_t i = 0; code == ERR_OK && i < json_array_size(events); i++) {
        const struct json_place p = {json_array_get(events, i), root->file, "events[]."};
        char text[SERIES_EVENT_TEXT_MAX + 1];
        int64_t time_us;
        code = run_event_from_json(&p, &time_us, text, e);
        if (code == ERR_OK && !run_record_add_event(r, time_us, text))
            code = err_set_at(e, ERR_MEMORY, root->file, 0, 0, "no memory for its events");
    }
    return code;
}

enum err_code run_gap_from_json(const struct json_place *p, struct run_gap *gap, struct err *e)
{
    const char *known[GAP_FIELD_COUNT];
    enum err_code code = ERR_OK;
    for (size_t i = 0; code == ERR_OK && i < GAP_FIELD_COUNT; i++) {
        known[i] = GAP_FIELDS[i].key;
        code = json_field_read(p, &GAP_FIELDS[i], gap, e);
    }
    return code != ERR_OK ? code : json_strict_finish(p, known, GAP_FIELD_COUNT, e);
}

static enum err_code read_gaps(const struct json_place *link, struct run_record *r, struct err *e)
{
    const json_t *gaps;
    enum err_code code = json_strict_child(link, "gaps", JSON_ARRAY, &gaps, e);
    if (code == ERR_OK && json_array_size(gaps) > SERIES_GAPS_MAX)
        code =
            err_set_at(e, ERR_FILE, link->file, 0, 0, "link.gaps: %zu are too many; at most %d are allowed",
                       json_array_size(gaps), SERIES_GAPS_MAX);
    if (code == ERR_OK && json_array_size(gaps) > 0 &&
        (r->link_gaps = malloc(json_array_size(gaps) * sizeof *r->link_gaps)) == NULL)
        code = err_set_at(e, ERR_MEMORY, link->file, 0, 0, "no memory for its gaps");
    for (size_t i = 0; code == ERR_OK && i < json_array_size(gaps); i++) {
        const struct json_place p = {json_array_get(gaps, i), link->file, "link.gaps[]."};
        code = run_gap_from_json(&p, &r->link_gaps[i], e);
        r->link.gap_count = i + 1;
    }
    return code;
}

static enum err_code read_link(const struct json_place *root, struct run_record *r, struct err *e)
{
    const char *known[LINK_FIELD_COUNT + 1];
    struct json_place p = {NULL, root->file, "link."};
    enum err_code code;
    r->link_recorded = json_object_get(root->object, "link") != NULL;
    r->link.clock_ppm = NAN;
    r->link.clock_standard_uncertainty_ppm = NAN;
    if (!r->link_recorded)
        return ERR_OK;
    code = json_strict_child(root, "link", JSON_OBJECT, &p.object, e);
    for (size_t i = 0; code == ERR_OK && i < LINK_FIELD_COUNT; i++) {
        known[i] = LINK_FIELDS[i].key;
        code = json_field_read(&p, &LINK_FIELDS[i], &r->link, e);
    }
    known[LINK_FIELD_COUNT] = "gaps";
    if (code == ERR_OK)
        code = read_gaps(&p, r, e);
    return code != ERR_OK ? code : json_strict_finish(&p, known, LINK_FIELD_COUNT + 1, e);
}

static int compare_separate(const void *a, const void *b)
{
    return memcmp(a, b, sizeof(struct run_separate));
}

static enum err_code read_separate(const struct json_place *root, struct run_record *r, struct err *e)
{
    static struct kept_store all = KEPT_STORE;
    const char *known[SEPARATE_FIELD_COUNT];
    struct json_place p = {NULL, root->file, "separate_instruments."};
    struct run_separate separate;
    enum err_code code;
    if (json_object_get(root->object, "separate_instruments") == NULL)
        return ERR_OK;
    code = json_strict_child(root, "separate_instruments", JSON_OBJECT, &p.object, e);
    for (size_t i = 0; code == ERR_OK && i < SEPARATE_FIELD_COUNT; i++) {
        known[i] = SEPARATE_FIELDS[i].key;
        code = json_field_read(&p, &SEPARATE_FIELDS[i], &separate, e);
    }
    if (code == ERR_OK)
        code = json_strict_finish(&p, known, SEPARATE_FIELD_COUNT, e);
    if (code != ERR_OK)
        return code;
    r->separate = kept_copy(&all, &separate, sizeof separate, compare_separate);
    return r->separate != NULL ? ERR_OK : err_set_at(e, ERR_MEMORY, root->file, 0, 0, "no memory to read it");
}

/* A sum over the gaps that is not the count it must be. */
static enum err_code check_sum(const char *path, const char *key, int64_t count, const char *part,
                               int64_t sum, struct err *e)
{
    if (count == sum)
        return ERR_OK;
    return err_set_at(e, ERR_FILE, path, 0, 0, "%s: is %lld, but the %s in link.gaps add up to %lld", key,
                      (long long)count, part, (long long)sum);
}

static enum err_code check_link(const struct run_record *r, const char *path, struct err *e)
{
    struct run_gap sum = {0};
    enum err_code code;
    for (size_t i = 0; i < r->link.gap_count; i++) {
        const struct run_gap *gap = &r->link_gaps[i];
        if (i > 0 && gap->time_us < gap[-1].time_us)
            return err_set_at(e, ERR_FILE, path, 0, 0,
                              "link.gaps[].time_us: %lld is before the gap above (%lld)",
                              (long long)gap->time_us, (long long)gap[-1].time_us);
        if (gap->places != 1 && i + 1 < SERIES_GAPS_MAX)
            return err_set_at(e, ERR_FILE, path, 0, 0,
                              "link.gaps[].places: is %lld; only the last of %d gaps may sum up others",
                              (long long)gap->places, SERIES_GAPS_MAX);
        sum.places += gap->places;
        sum.frames += gap->frames;
        sum.samples += gap->samples;
    }
    code = check_sum(path, "gaps", r->gaps, "places", sum.places, e);
    if (code == ERR_OK)
        code = check_sum(path, "frames_missing", r->frames_missing, "frames", sum.frames, e);
    if (code == ERR_OK)
        code = check_sum(path, "link.samples_missing", r->link.samples_missing, "samples", sum.samples, e);
    if (code == ERR_OK && r->link.frames_late > r->frames_missing)
        code = err_set_at(e, ERR_FILE, path, 0, 0,
                          "link.frames_late: is %lld, more than the %lld frames_missing that they belong to",
                          (long long)r->link.frames_late, (long long)r->frames_missing);
    if (code == ERR_OK && isnan(r->link.clock_ppm) != isnan(r->link.clock_standard_uncertainty_ppm))
        code = err_set_at(e, ERR_FILE, path, 0, 0,
                          "link: clock_ppm and clock_standard_uncertainty_ppm must be null together");
    return code;
}

/* Counts stop at their bound: past it they come from a file that somebody made up. */
static void add_count(int64_t *sum, int64_t more)
{
    *sum = *sum < RUN_RECORD_COUNT_MAX - more ? *sum + more : RUN_RECORD_COUNT_MAX;
}

bool run_record_add_gap(struct run_record *r, const struct run_gap *gap)
{
    bool listed = true;
    if (r->link.gap_count < SERIES_GAPS_MAX) {
        struct run_gap *gaps = realloc(r->link_gaps, (r->link.gap_count + 1) * sizeof *gaps);
        if (gaps == NULL) {
            r->incomplete = true;
            listed = false;
        } else {
            gaps[r->link.gap_count++] = *gap;
            r->link_gaps = gaps;
        }
    } else {
        struct run_gap *last = &r->link_gaps[SERIES_GAPS_MAX - 1];
        add_count(&last->places, gap->places);
        add_count(&last->frames, gap->frames);
        add_count(&last->samples, gap->samples);
    }
    add_count(&r->gaps, gap->places);
    add_count(&r->frames_missing, gap->frames);
    add_count(&r->link.samples_missing, gap->samples);
    return listed;
}

const struct conditions *run_record_conditions(const struct run_record *r)
{
    static const struct conditions none;
    return r->conditions != NULL ? r->conditions : &none;
}

bool run_record_set_why(struct run_record *r, const char *text)
{
    char cut[SERIES_EVENT_TEXT_MAX + 1];
    snprintf(cut, sizeof cut, "%s", text);
    r->ended_why = kept_text(cut);
    if (r->ended_why == NULL)
        r->incomplete = true;
    return r->ended_why != NULL;
}

bool run_record_add_event(struct run_record *r, int64_t time_us, const char *text)
{
    char cut[SERIES_EVENT_TEXT_MAX + 1];
    const char *kept;
    struct run_event *events;
    if (r->event_count >= SERIES_EVENTS_MAX)
        return true;
    snprintf(cut, sizeof cut, "%s", text);
    kept = kept_text(cut);
    events = kept == NULL ? NULL : realloc(r->events, (r->event_count + 1) * sizeof *events);
    if (events == NULL) {
        r->incomplete = true;
        return false;
    }
    r->events = events;
    r->events[r->event_count++] = (struct run_event){time_us, kept};
    return true;
}

void run_record_cut_events(struct run_record *r, size_t count)
{
    if (r->event_count > count)
        r->event_count = count;
}

void run_record_free(struct run_record *r)
{
    if (r == NULL)
        return;
    run_record_cut_events(r, 0);
    free(r->events);
    free(r->link_gaps);
    r->events = NULL;
    r->link_gaps = NULL;
    r->link.gap_count = 0;
    r->incomplete = false;
}

static enum err_code check(const struct run_record *r, const char *path, struct err *e)
{
    size_t plain = strspn(r->feeder, "abcdefghijklmnopqrstuvwxyz0123456789-");
    if (r->feeder[0] == 0 || r->feeder[0] == '-' || r->feeder[plain] != 0)
        return err_set_at(e, ERR_FILE, path, 0, 0,
                          "feeder: '%s' must be made of small letters, digits and hyphens", r->feeder);
    if (r->counts_min >= r->counts_max)
        return err_set_at(e, ERR_FILE, path, 0, 0, "counts_min must be below counts_max");
    if (r->rate_mm3_s > 0 && r->test != PLAN_MELT_PUSH)
        return err_set_at(e, ERR_FILE, path, 0, 0, "rate_mm3_s: only melt-push has a volumetric rate");
    if (r->cycles > 0 && r->test != PLAN_REVERSAL)
        return err_set_at(e, ERR_FILE, path, 0, 0, "cycles: only reversal has cycles");
    if (r->repeat > 0 && r->test != PLAN_ENDURANCE)
        return err_set_at(e, ERR_FILE, path, 0, 0, "repeat: only endurance has repeats");
    if (r->repeats >= r->number)
        return err_set_at(e, ERR_FILE, path, 0, 0, "repeats: run %d can only repeat one before it, not %d",
                          r->number, r->repeats);
    if (r->push_end_us < r->push_start_us)
        return err_set_at(e, ERR_FILE, path, 0, 0, "push_end_us must not be before push_start_us");
    return r->link_recorded ? check_link(r, path, e) : ERR_OK;
}

static enum err_code read_conditions(const json_t *object, const char *file, struct run_record *r,
                                     struct err *e)
{
    struct conditions conditions;
    enum err_code code = conditions_from_json(object, file, &conditions, e);
    if (code != ERR_OK)
        return code;
    r->conditions = conditions_keep(&conditions);
    return r->conditions != NULL ? ERR_OK : err_set_at(e, ERR_MEMORY, file, 0, 0, "no memory to read it");
}

static enum err_code read_root(const struct json_place *root, struct run_record *r, struct err *e)
{
    const char *known[FIELD_COUNT + OTHER_COUNT];
    const json_t *conditions;
    char schema[64];
    size_t choice;
    enum err_code code = json_strict_text(root, "schema", schema, sizeof schema, e);
    if (code == ERR_OK && strcmp(schema, SCHEMA) != 0)
        code = err_set_at(e, ERR_FILE, root->file, 0, 0, "schema: '%s' is not known; this program reads %s",
                          schema, SCHEMA);
    for (size_t i = 0; i < FIELD_COUNT; i++) {
        known[i] = FIELDS[i].key;
        if (code == ERR_OK)
            code = json_field_read(root, &FIELDS[i], r, e);
    }
    memcpy(known + FIELD_COUNT, OTHER_KEYS, sizeof OTHER_KEYS);
    if (code == ERR_OK)
        code = read_choice(root, "test", PLAN_TEST_NAMES, PLAN_TEST_KINDS, &choice, e);
    if (code == ERR_OK) {
        r->test = (enum plan_test_kind)choice;
        code = read_choice(root, "ended", RUN_END_NAMES, RUN_ENDS, &choice, e);
    }
    if (code == ERR_OK) {
        r->ended = (enum run_end)choice;
        code = json_strict_child(root, "conditions", JSON_OBJECT, &conditions, e);
    }
    if (code == ERR_OK)
        code = read_conditions(conditions, root->file, r, e);
    if (code == ERR_OK)
        code = read_events(root, r, e);
    if (code == ERR_OK)
        code = read_link(root, r, e);
    if (code == ERR_OK)
        code = read_separate(root, r, e);
    if (code == ERR_OK)
        code = json_strict_finish(root, known, FIELD_COUNT + OTHER_COUNT, e);
    return code != ERR_OK ? code : check(r, root->file, e);
}

enum err_code run_record_from_json(const json_t *json, const char *path, struct run_record *r, struct err *e)
{
    enum err_code code;
    memset(r, 0, sizeof *r);
    code = json == NULL ? ERR_OK : read_root(&(struct json_place){json, path, ""}, r, e);
    if (code != ERR_OK)
        run_record_free(r);
    return code;
}

enum err_code run_record_read(const char *path, struct run_record *r, struct err *e)
{
    int64_t bytes;
    return run_record_read_hashed(path, r, NULL, &bytes, e);
}

enum err_code run_record_read_hashed(const char *path, struct run_record *r, char *hash, int64_t *bytes,
                                     struct err *e)
{
    struct json_region region;
    json_t *json;
    enum err_code code, content;
    json_region_open(&region);
    code = json_strict_read_hashed(path, FILE_BYTES_MAX, &json, hash, bytes, e);
    content = run_record_from_json(json, path, r, e);
    json_decref(json);
    json_region_close(&region);
    return code != ERR_OK ? code : content;
}

json_t *run_event_to_json(const struct run_event *event)
{
    return json_pack("{s:I, s:o}", "time_us", (json_int_t)event->time_us, "text",
                     json_field_text(event->text));
}

json_t *run_gap_to_json(const struct run_gap *gap)
{
    return json_pack("{s:I, s:I, s:I, s:I}", "time_us", (json_int_t)gap->time_us, "places",
                     (json_int_t)gap->places, "frames", (json_int_t)gap->frames, "samples",
                     (json_int_t)gap->samples);
}

static bool put_link(json_t *root, const struct run_record *r)
{
    json_t *link = json_object();
    json_t *gaps = json_array();
    bool good = json_field_put(link, LINK_FIELDS, LINK_FIELD_COUNT, &r->link);
    for (size_t i = 0; i < r->link.gap_count; i++)
        good = json_array_append_new(gaps, run_gap_to_json(&r->link_gaps[i])) == 0 && good;
    good = json_object_set_new(link, "gaps", gaps) == 0 && good;
    return json_object_set_new(root, "link", link) == 0 && good;
}

static bool put_separate(json_t *root, const struct run_record *r)
{
    json_t *separate = json_object();
    bool good = json_field_put(separate, SEPARATE_FIELDS, SEPARATE_FIELD_COUNT, r->separate);
    return json_object_set_new(root, "separate_instruments", separate) == 0 && good;
}

static json_t *record_to_json(const struct run_record *r)
{
    json_t *events = json_array();
    json_t *root;
    for (size_t i = 0; i < r->event_count; i++) {
        if (json_array_append_new(events, run_event_to_json(&r->events[i])) != 0) {
            json_decref(events);
            return NULL;
        }
    }
    root = json_pack("{s:s, s:s, s:s, s:o, s:o}", "schema", SCHEMA, "test", PLAN_TEST_NAMES[r->test], "ended",
                     RUN_END_NAMES[r->ended], "conditions", conditions_to_json(run_record_conditions(r)),
                     "events", events);
    if (!json_field_put(root, FIELDS, FIELD_COUNT, r) || (r->link_recorded && !put_link(root, r)) ||
        (r->separate != NULL && !put_separate(root, r))) {
        json_decref(root);
        return NULL;
    }
    return root;
}

enum err_code run_record_to_json(const struct run_record *r, const char *path, json_t **root, struct err *e)
{
    struct run_record again;
    enum err_code code;
    *root = NULL;
    if (r->event_count > SERIES_EVENTS_MAX || r->link.gap_count > SERIES_GAPS_MAX ||
        (unsigned)r->test >= PLAN_TEST_KINDS || (unsigned)r->ended >= RUN_ENDS)
        return err_set_at(e, ERR_CALLER, path, 0, 0,
                          "a run record with %zu events, %zu gaps, test %d and end %d cannot be written",
                          r->event_count, r->link.gap_count, (int)r->test, (int)r->ended);
    if (r->incomplete)
        return err_set_at(e, ERR_MEMORY, path, 0, 0,
                          "cannot be written: there was no memory for all that belongs to it; its rows and "
                          "its journal are kept, and the next capture into this folder recovers the run");
    *root = record_to_json(r);
    if (*root == NULL)
        return err_set_at(e, ERR_CALLER, path, 0, 0,
                          "cannot be written: no memory, or a value that JSON cannot hold");
    /* What could not be read back is not written. */
    code = run_record_from_json(*root, path, &again, e);
    if (code == ERR_OK) {
        run_record_free(&again);
    } else {
        json_decref(*root);
        *root = NULL;
    }
    return code;
}

enum err_code run_record_write(const char *path, const struct run_record *r, struct err *e)
{
    json_t *root;
    enum err_code code = run_record_to_json(r, path, &root, e);
    if (code == ERR_OK)
        code = json_strict_write(path, root, e);
    json_decref(root);
    return code;
}
