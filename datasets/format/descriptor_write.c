#include "datasets/format/descriptor_write.h"

#include "datasets/format/descriptor.h"
#include "datasets/format/kept.h"

#include <ctype.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>

/* Licences for data that have a name of their own; names are those of the SPDX list, in which the Open
 * Definition's are contained. Anything else is published by its name alone. */
static const struct licence {
    const char *name, *title, *path;
} LICENCES[] = {
    {"CC0-1.0", "CC0 1.0 Universal", "https://creativecommons.org/publicdomain/zero/1.0/"},
    {"CC-BY-4.0", "Creative Commons Attribution 4.0 International",
     "https://creativecommons.org/licenses/by/4.0/"},
    {"CC-BY-SA-4.0", "Creative Commons Attribution-ShareAlike 4.0 International",
     "https://creativecommons.org/licenses/by-sa/4.0/"},
    {"CC-BY-NC-4.0", "Creative Commons Attribution-NonCommercial 4.0 International",
     "https://creativecommons.org/licenses/by-nc/4.0/"},
    {"CC-BY-NC-SA-4.0", "Creative Commons Attribution-NonCommercial-ShareAlike 4.0 International",
     "https://creativecommons.org/licenses/by-nc-sa/4.0/"},
    {"CC-BY-ND-4.0", "Creative Commons Attribution-NoDerivatives 4.0 International",
     "https://creativecommons.org/licenses/by-nd/4.0/"},
    {"PDDL-1.0", "Open Data Commons Public Domain Dedication and License 1.0",
     "https://opendatacommons.org/licenses/pddl/1-0/"},
    {"ODC-By-1.0", "Open Data Commons Attribution License 1.0",
     "https://opendatacommons.org/licenses/by/1-0/"},
    {"ODbL-1.0", "Open Data Commons Open Database License 1.0",
     "https://opendatacommons.org/licenses/odbl/1-0/"},
};

/* Name of the package: the title in small letters, digits and hyphens, as the standard asks of a name. */
static void make_slug(const char *title, char *slug, size_t size)
{
    size_t n = 0;
    for (const char *p = title; *p != 0 && n + 1 < size; p++) {
        if (isalnum((unsigned char)*p) && (unsigned char)*p < 0x80)
            slug[n++] = (char)tolower((unsigned char)*p);
        else if (n > 0 && slug[n - 1] != '-')
            slug[n++] = '-';
    }
    while (n > 0 && slug[n - 1] == '-')
        n--;
    slug[n] = 0;
    if (n == 0)
        snprintf(slug, size, "series");
}

/* The kinds of test in a plan, each once, in the plan's order. */
static size_t list_kinds(const struct plan *plan, const char *names[PLAN_TEST_KINDS])
{
    bool listed[PLAN_TEST_KINDS] = {false};
    size_t count = 0;
    for (size_t i = 0; i < plan->test_count; i++) {
        if (listed[plan->tests[i].kind])
            continue;
        listed[plan->tests[i].kind] = true;
        names[count++] = PLAN_TEST_NAMES[plan->tests[i].kind];
    }
    return count;
}

static void put_list(FILE *out, const char *const *names, size_t count)
{
    for (size_t i = 0; i < count; i++)
        fprintf(out, "%s%s", i == 0 ? "" : i + 1 < count ? ", " : " and ", names[i]);
}

/* What somebody wants to know who finds the data without having seen the plan. The caller frees it; NULL when
 * there is no memory. */
static char *default_description(const struct plan *plan)
{
    char *text = NULL;
    size_t length, pushes = 0;
    const char *feeders[PLAN_FEEDERS_MAX], *kinds[PLAN_TEST_KINDS];
    FILE *out = open_memstream(&text, &length);
    if (out == NULL)
        return NULL;
    for (size_t i = 0; i < plan->feeder_count; i++)
        feeders[i] = plan->feeders[i].name;
    for (size_t i = 0; i < plan->test_count; i++)
        pushes += plan_test_pushes(&plan->tests[i]);
    fprintf(out, "%s: push force and feed of the filament feeder%s ",
            plan->simulated ? "Simulated data" : "Bench measurements", plan->feeder_count == 1 ? "" : "s");
    put_list(out, feeders, plan->feeder_count);
    fputs(" in ", out);
    put_list(out, kinds, list_kinds(plan, kinds));
    fprintf(out, ", %zu run%s planned in %d block%s", pushes * plan->feeder_count * (size_t)plan->blocks,
            pushes * plan->feeder_count * (size_t)plan->blocks == 1 ? "" : "s", plan->blocks,
            plan->blocks == 1 ? "" : "s");
    if (plan->bench[0] != 0)
        fprintf(out, " on the bench %s", plan->bench);
    fputs(". Samples are raw counts; calibration.json makes newtons and millimetres of them.", out);
    if (fclose(out) == 0)
        return text;
    free(text);
    return NULL;
}

/* NULL, too, where the plan states no licence. */
static json_t *licences_of(const struct plan *plan)
{
    if (plan->licence[0] == 0)
        return NULL;
    for (size_t i = 0; i < sizeof LICENCES / sizeof LICENCES[0]; i++) {
        const struct licence *l = &LICENCES[i];
        if (strcasecmp(l->name, plan->licence) == 0)
            return json_pack("[{s:s, s:s, s:s}]", "name", l->name, "title", l->title, "path", l->path);
    }
    return json_pack("[{s:s, s:s}]", "name", plan->licence, "title", plan->licence);
}

/* Version 1 of the standard reads "role", version 2 "roles". The operator is the DataCollector of the
 * DataCite vocabulary (Metadata Schema 4.5, contributorType), which version 2 recommends; version 1 has only
 * "contributor" for it. */
static json_t *contributors_of(const struct plan *plan)
{
    json_t *list = json_array();
    bool named = plan->operator_name[0] == 0;
    bool good = list != NULL;
    for (size_t i = 0; i < plan->contributor_count; i++) {
        const struct plan_contributor *c = &plan->contributors[i];
        bool collects = strcmp(c->title, plan->operator_name) == 0;
        json_t *one = json_pack("{s:s, s:s, s:[s, s*]}", "title", c->title, "role", c->role, "roles", c->role,
                                collects ? "DataCollector" : NULL);
        good = json_array_append_new(list, one) == 0 && good;
        named = named || collects;
    }
    if (!named)
        good = json_array_append_new(list, json_pack("{s:s, s:s, s:[s]}", "title", plan->operator_name,
                                                     "role", "contributor", "roles", "DataCollector")) == 0 &&
               good;
    if (good)
        return list;
    json_decref(list);
    return NULL;
}

static json_t *keywords_of(const struct plan *plan)
{
    const char *kinds[PLAN_TEST_KINDS] = {0};
    size_t count = list_kinds(plan, kinds);
    json_t *list =
        json_pack("[s, s, s*]", "filament feeder", "push force", plan->simulated ? "simulated" : NULL);
    bool good = list != NULL;
    for (size_t i = 0; i < count; i++)
        good = json_array_append_new(list, json_string(kinds[i])) == 0 && good;
    if (good)
        return list;
    json_decref(list);
    return NULL;
}

json_t *descriptor_write_root(const struct plan *plan)
{
    char slug[80];
    char *description = plan->description[0] == 0 ? default_description(plan) : strdup(plan->description);
    json_t *keywords = keywords_of(plan);
    json_t *licences = licences_of(plan);
    json_t *contributors = contributors_of(plan);
    json_t *root = NULL;
    bool complete = description != NULL && keywords != NULL && contributors != NULL &&
                    (licences != NULL || plan->licence[0] == 0);
    make_slug(plan->title, slug, sizeof slug);
    /* The standard wants no empty lists: they are left out ("*" in json_pack). */
    if (json_array_size(contributors) == 0) {
        json_decref(contributors);
        contributors = NULL;
    }
    root = json_pack("{s:s, s:s, s:s, s:s, s:i, s:b, s:s*, s:o*, s:o*, s:o*}", "$schema",
                     "https://datapackage.org/profiles/2.0/datapackage.json", "profile", "data-package",
                     "name", slug, "title", plan->title, "nipbench_series", DESCRIPTOR_VERSION, "simulated",
                     plan->simulated, "description", description, "keywords", keywords, "licenses", licences,
                     "contributors", contributors);
    free(description);
    if (complete)
        return root;
    json_decref(root);
    return NULL;
}

bool descriptor_write_origin(json_t *root, const struct run_record *r)
{
    char title[160];
    json_t *sources = json_object_get(root, "sources");
    const char *serial = kept_text_or_empty(r->rig_serial), *firmware = kept_text_or_empty(r->rig_firmware);
    bool known = firmware[0] != 0;
    snprintf(title, sizeof title, "%s %s, firmware %s", r->simulated ? "Simulated rig" : "Bench rig",
             serial[0] == 0 ? "without a serial number" : serial, known ? firmware : "not known");
    if (sources == NULL) {
        sources = json_array();
        if (json_object_set_new(root, "sources", sources) != 0 ||
            (strchr(r->start_time, 'T') != NULL &&
             json_object_set_new(root, "created", json_string(r->start_time)) != 0))
            return false;
    }
    for (size_t i = 0; i < json_array_size(sources); i++) {
        if (strcmp(json_string_value(json_object_get(json_array_get(sources, i), "title")), title) == 0)
            return true;
    }
    return json_array_append_new(
               sources, json_pack("{s:s, s:s*}", "title", title, "version", known ? firmware : NULL)) == 0;
}

/* The columns of every run file. Units are UCUM; what has no unit there stands in braces. */
static json_t *run_schema(void)
{
    static const struct {
        const char *name, *unit, *title, *description;
        bool required, not_negative;
    } fields[] = {
        {"time_us", "us", "Time", "Time on the rig's clock since the first sample of the run.", true, true},
        {"force_counts", "{count}", "Force reading",
         "Reading of the load cell's converter. Push force is positive once calibration.json is applied.",
         true, false},
        {"commanded_steps", "{microstep}", "Commanded feed",
         "Microsteps commanded so far. Forward feed is positive.", true, false},
        {"encoder_counts", "{count}", "Measured feed",
         "Reading of the filament encoder; empty in every row of a rig without one.", false, false},
        {"flags", "1", "Flags",
         "Sum of 1 (converter over range), 2 (motor driver fault), 4 (limit switch) and 8 (emergency stop).",
         true, true},
    };
    json_t *list = json_array();
    for (size_t i = 0; i < sizeof fields / sizeof fields[0]; i++) {
        json_t *constraints = json_pack("{s:b}", "required", fields[i].required);
        if (fields[i].not_negative)
            json_object_set_new(constraints, "minimum", json_integer(0));
        json_array_append_new(list,
                              json_pack("{s:s, s:s, s:s, s:s, s:s, s:o}", "name", fields[i].name, "type",
                                        "integer", "unit", fields[i].unit, "title", fields[i].title,
                                        "description", fields[i].description, "constraints", constraints));
    }
    if (json_array_size(list) != sizeof fields / sizeof fields[0]) {
        json_decref(list);
        return NULL;
    }
    return json_pack("{s:o, s:[s]}", "fields", list, "missingValues", "");
}

static json_t *run_dialect(void)
{
    return json_pack("{s:b, s:s, s:s, s:s, s:b, s:b}", "header", 1, "delimiter", ",", "lineTerminator", "\n",
                     "quoteChar", "\"", "doubleQuote", 1, "skipInitialSpace", 0);
}

static json_t *plain_file(const char *format, const char *mediatype, const char *title,
                          const char *description)
{
    return json_pack("{s:s, s:s, s:s, s:s, s:s}", "profile", "data-resource", "format", format, "mediatype",
                     mediatype, "title", title, "description", description);
}

json_t *descriptor_write_plan(void)
{
    return plain_file(
        "yaml", "application/yaml", "The plan as run",
        "Feeders, tests, limits, seed and order of the runs, byte for byte as the operator wrote "
        "it.");
}

json_t *descriptor_write_calibration(void)
{
    return plain_file("json", "application/json", "Calibration of load cell and feed",
                      "What makes newtons and millimetres of counts and microsteps, with uncertainty.");
}

/* "Run 3: raw samples of gear-8, blocked-push at 4.75 mm/s". */
static void title_run(int number, const struct run_record *r, const char *what, char *title, size_t size)
{
    if (r == NULL)
        snprintf(title, size, "Run %d: %s", number, what);
    else
        snprintf(title, size, "Run %d: %s of %s, %s at %.6g mm/s", number, what, r->feeder,
                 PLAN_TEST_NAMES[r->test], r->speed_mm_s);
}

json_t *descriptor_write_run(int number, const struct run_record *r)
{
    char title[160];
    title_run(number, r, "raw samples", title, sizeof title);
    /* "profile" is how version 1 of the standard says what "type" says in version 2. */
    return json_pack("{s:s, s:s, s:s, s:s, s:s, s:o, s:o}", "profile", "tabular-data-resource", "type",
                     "table", "format", "csv", "mediatype", "text/csv", "title", title, "dialect",
                     run_dialect(), "schema", run_schema());
}

json_t *descriptor_write_record(int number, const struct run_record *r)
{
    char title[160];
    title_run(number, r, "conditions and course", title, sizeof title);
    return plain_file("json", "application/json", title,
                      "Conditions, settings, gaps, events and how the run ended.");
}
