/* The writing half of series.h. */
#include "datasets/format/series.h"

#include "datasets/format/descriptor.h"
#include "datasets/format/file_bytes.h"
#include "datasets/format/json_strict.h"
#include "datasets/format/series_path.h"

#include <ctype.h>
#include <dirent.h>
#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#define COPIED_BYTES_MAX (256 * 1024)

/* ERR_USAGE when folder exists and is anything but an empty folder; *exists tells whether it is there. */
static enum err_code refuse_unless_free(const char *folder, bool *exists, struct err *e)
{
    const struct dirent *entry;
    bool has_series = false;
    size_t entries = 0;
    DIR *listing = opendir(folder);
    *exists = listing != NULL;
    if (listing == NULL && errno == ENOENT)
        return ERR_OK;
    if (listing == NULL)
        return err_set_at(e, ERR_USAGE, folder, 0, 0, "cannot be used for a series: %s", strerror(errno));
    while ((entry = readdir(listing)) != NULL) {
        if (strcmp(entry->d_name, ".") == 0 || strcmp(entry->d_name, "..") == 0)
            continue;
        entries++;
        if (strcmp(entry->d_name, DESCRIPTOR_NAME) == 0)
            has_series = true;
    }
    closedir(listing);
    if (has_series)
        return err_set_at(e, ERR_USAGE, folder, 0, 0,
                          "already holds a series; choose another folder (nothing was changed)");
    if (entries > 0)
        return err_set_at(e, ERR_USAGE, folder, 0, 0,
                          "is not empty; choose another folder (nothing was changed)");
    return ERR_OK;
}

static enum err_code make_folder(const char *path, struct err *e)
{
    if (mkdir(path, 0755) == 0)
        return ERR_OK;
    /* A parent that is missing or no folder is a slip in the call; the rest is up to the system. */
    return err_set_at(e, errno == ENOENT || errno == ENOTDIR ? ERR_USAGE : ERR_SYSTEM, path, 0, 0,
                      "the folder cannot be made: %s", strerror(errno));
}

static enum err_code write_into(const char *folder, const char *name, const char *bytes, size_t length,
                                struct err *e)
{
    char full[SERIES_PATH_MAX];
    enum err_code code = series_path_join(folder, name, full, e);
    return code != ERR_OK ? code : file_bytes_write(full, bytes, length, e);
}

/* Take away what series_create made before it failed, and nothing else. */
static void take_back(const char *folder, bool folder_too)
{
    static const char *const names[] = {DESCRIPTOR_NAME, "calibration.json", "plan.yaml"};
    char full[SERIES_PATH_MAX];
    for (size_t i = 0; i < sizeof names / sizeof names[0]; i++) {
        if (series_path_join(folder, names[i], full, NULL) == ERR_OK)
            unlink(full);
    }
    if (series_path_join(folder, "runs", full, NULL) == ERR_OK)
        rmdir(full);
    if (folder_too)
        rmdir(folder);
}

enum err_code series_create(const char *folder, const char *plan_path, const struct plan *plan,
                            const char *calibration_path, struct err *e)
{
    char runs[SERIES_PATH_MAX];
    char *plan_text = NULL;
    char *calibration_text = NULL;
    size_t plan_length;
    size_t calibration_length;
    struct calibration calibration;
    bool exists = false;
    bool begun = false;
    enum err_code code = refuse_unless_free(folder, &exists, e);
    if (code == ERR_OK)
        code = series_path_join(folder, "runs", runs, e);
    if (code == ERR_OK)
        code = file_bytes_read(plan_path, COPIED_BYTES_MAX, &plan_text, &plan_length, e);
    if (code == ERR_OK)
        code = calibration_read(calibration_path, &calibration, e);
    if (code == ERR_OK)
        code = file_bytes_read(calibration_path, COPIED_BYTES_MAX, &calibration_text, &calibration_length, e);
    if (code == ERR_OK && !exists)
        code = make_folder(folder, e);
    if (code != ERR_OK)
        goto out;
    begun = true;
    code = make_folder(runs, e);
    if (code == ERR_OK)
        code = write_into(folder, "plan.yaml", plan_text, plan_length, e);
    if (code == ERR_OK)
        code = write_into(folder, "calibration.json", calibration_text, calibration_length, e);
    if (code == ERR_OK)
        code = series_write_package(folder, plan, e);
out:
    if (code != ERR_OK && begun)
        take_back(folder, !exists);
    free(calibration_text);
    free(plan_text);
    return code;
}

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

/* The columns of every run file. Units are UCUM; what has no unit there stands in braces. */
static json_t *run_schema(void)
{
    static const struct {
        const char *name, *unit, *description;
        bool required, not_negative;
    } fields[] = {
        {"time_us", "us", "Time on the rig's clock since the first sample of the run.", true, true},
        {"force_counts", "{count}", "Reading of the load cell's converter. Push force is positive.", true,
         false},
        {"commanded_steps", "{microstep}", "Microsteps commanded so far. Forward feed is positive.", true,
         false},
        {"encoder_counts", "{count}",
         "Reading of the filament encoder; empty in every row of a rig without one.", false, false},
        {"flags", "1",
         "Sum of 1 (converter over range), 2 (motor driver fault), 4 (limit switch) and 8 (emergency stop).",
         true, true},
    };
    json_t *list = json_array();
    for (size_t i = 0; i < sizeof fields / sizeof fields[0]; i++) {
        json_t *constraints = json_pack("{s:b}", "required", fields[i].required);
        if (fields[i].not_negative)
            json_object_set_new(constraints, "minimum", json_integer(0));
        json_array_append_new(list, json_pack("{s:s, s:s, s:s, s:s, s:o}", "name", fields[i].name, "type",
                                              "integer", "unit", fields[i].unit, "description",
                                              fields[i].description, "constraints", constraints));
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

struct package_writer {
    const char *folder;
    struct descriptor old; /* empty when there was none */
    struct timespec old_time;
    json_t *resources;
};

static bool before(struct timespec a, struct timespec b)
{
    return a.tv_sec < b.tv_sec || (a.tv_sec == b.tv_sec && a.tv_nsec < b.tv_nsec);
}

/* Bytes and hash of a file. A file that was last changed before the old descriptor was written, and is as
 * long as it says there, keeps its hash from there, so that a long series is not hashed anew after every run.
 */
static enum err_code measure(const struct package_writer *w, const char *path, char *hash, int64_t *bytes,
                             struct err *e)
{
    char full[SERIES_PATH_MAX];
    struct stat status;
    const struct descriptor_resource *old = descriptor_find(&w->old, path);
    enum err_code code = series_path_resolve(w->folder, path, full, e);
    if (code != ERR_OK)
        return code;
    if (old != NULL && stat(full, &status) == 0 && status.st_size == old->bytes &&
        before(status.st_ctim, w->old_time) && strncmp(old->hash, "sha256:", 7) == 0 &&
        strlen(old->hash) < FILE_BYTES_HASH_SIZE) {
        strcpy(hash, old->hash);
        *bytes = old->bytes;
        return ERR_OK;
    }
    return file_bytes_hash(full, hash, bytes, e);
}

/* Append one file. properties (stolen) holds what is special to it. */
static enum err_code add_file(struct package_writer *w, const char *name, const char *path,
                              json_t *properties, struct err *e)
{
    char hash[FILE_BYTES_HASH_SIZE];
    int64_t bytes = 0;
    json_t *common;
    enum err_code code = measure(w, path, hash, &bytes, e);
    if (code != ERR_OK) {
        json_decref(properties);
        return code;
    }
    common = json_pack("{s:s, s:s, s:s, s:s, s:I}", "name", name, "path", path, "encoding", "utf-8", "hash",
                       hash, "bytes", (json_int_t)bytes);
    if (json_object_update(properties, common) != 0 || json_array_append(w->resources, properties) != 0)
        code = err_set_at(e, ERR_MEMORY, w->folder, 0, 0, "no memory for its descriptor");
    json_decref(common);
    json_decref(properties);
    return code;
}

static json_t *plain_file(const char *format, const char *mediatype, const char *title)
{
    return json_pack("{s:s, s:s, s:s, s:s}", "profile", "data-resource", "format", format, "mediatype",
                     mediatype, "title", title);
}

static enum err_code add_run(struct package_writer *w, int number, struct err *e)
{
    char name[32];
    char title[48];
    char path[32];
    enum err_code code;
    snprintf(name, sizeof name, "run-%04d", number);
    snprintf(title, sizeof title, "Run %d: raw samples", number);
    series_path_of_run(number, "csv", path);
    /* "profile" is how version 1 of the standard says what "type" says in version 2. */
    code = add_file(w, name, path,
                    json_pack("{s:s, s:s, s:s, s:s, s:s, s:o, s:o}", "profile", "tabular-data-resource",
                              "type", "table", "format", "csv", "mediatype", "text/csv", "title", title,
                              "dialect", run_dialect(), "schema", run_schema()),
                    e);
    if (code != ERR_OK)
        return code;
    snprintf(name, sizeof name, "run-%04d-record", number);
    snprintf(title, sizeof title, "Run %d: conditions and course", number);
    series_path_of_run(number, "json", path);
    return add_file(w, name, path, plain_file("json", "application/json", title), e);
}

/* Which runs are finished: both files are there under their final names. */
static enum err_code find_runs(const char *folder, bool *finished, struct err *e)
{
    char full[SERIES_PATH_MAX];
    bool has_csv[10000] = {false};
    bool has_sidecar[10000] = {false};
    const struct dirent *entry;
    DIR *listing;
    enum err_code code = series_path_join(folder, "runs", full, e);
    if (code != ERR_OK)
        return code;
    listing = opendir(full);
    if (listing == NULL)
        return err_set_at(e, ERR_FILE, full, 0, 0, "cannot be opened: %s", strerror(errno));
    while ((entry = readdir(listing)) != NULL) {
        char path[300];
        snprintf(path, sizeof path, "runs/%s", entry->d_name);
        has_csv[series_path_run_number(path, "csv")] = true;
        has_sidecar[series_path_run_number(path, "json")] = true;
    }
    closedir(listing);
    finished[0] = false;
    for (int n = 1; n < 10000; n++)
        finished[n] = has_csv[n] && has_sidecar[n];
    return ERR_OK;
}

/* When and on which rig the data were made, from the first finished run; nothing before there is one, so that
 * the descriptor depends on the folder alone. */
static enum err_code describe_origin(const char *folder, const bool *finished, json_t *root, struct err *e)
{
    static _Thread_local struct run_record record;
    char path[32];
    char full[SERIES_PATH_MAX];
    char title[160];
    int first = 1;
    enum err_code code;
    while (first < 10000 && !finished[first])
        first++;
    if (first == 10000)
        return ERR_OK;
    series_path_of_run(first, "json", path);
    code = series_path_resolve(folder, path, full, e);
    if (code == ERR_OK)
        code = run_record_read(full, &record, e);
    if (code != ERR_OK)
        return code;
    snprintf(title, sizeof title, "%s %s, firmware %s", record.simulated ? "Simulated rig" : "Bench rig",
             record.rig_serial[0] == 0 ? "without a serial number" : record.rig_serial,
             record.rig_firmware[0] == 0 ? "not known" : record.rig_firmware);
    if ((strchr(record.start_time, 'T') != NULL &&
         json_object_set_new(root, "created", json_string(record.start_time)) != 0) ||
        json_object_set_new(root, "sources", json_pack("[{s:s}]", "title", title)) != 0)
        return err_set_at(e, ERR_MEMORY, folder, 0, 0, "no memory for its descriptor");
    return ERR_OK;
}

/* The standard wants no empty lists and no empty texts; what is empty is left out ("*" in json_pack). */
static json_t *describe_plan(const struct plan *plan, struct err *e)
{
    char slug[80];
    json_t *contributors = json_array();
    json_t *keywords = json_pack("[s, s, s, s*]", "filament feeder", "push force", "slip onset",
                                 plan->simulated ? "simulated" : NULL);
    json_t *licences = plan->licence[0] == 0 ? NULL : json_pack("[{s:s}]", "name", plan->licence);
    json_t *root = NULL;
    bool complete;
    make_slug(plan->title, slug, sizeof slug);
    for (size_t i = 0; i < plan->contributor_count; i++) {
        const struct plan_contributor *c = &plan->contributors[i];
        /* Version 1 of the standard reads "role", version 2 "roles". */
        json_array_append_new(contributors, json_pack("{s:s, s:s, s:[s]}", "title", c->title, "role", c->role,
                                                      "roles", c->role));
    }
    complete = keywords != NULL && json_array_size(contributors) == plan->contributor_count &&
               (licences != NULL || plan->licence[0] == 0);
    if (plan->contributor_count == 0) {
        json_decref(contributors);
        contributors = NULL;
    }
    root = json_pack("{s:s, s:s, s:s, s:s, s:i, s:b, s:s*, s:o*, s:o*, s:o*}", "$schema",
                     "https://datapackage.org/profiles/2.0/datapackage.json", "profile", "data-package",
                     "name", slug, "title", plan->title, "nipbench_series", DESCRIPTOR_VERSION, "simulated",
                     plan->simulated, "description", plan->description[0] == 0 ? NULL : plan->description,
                     "keywords", keywords, "licenses", licences, "contributors", contributors);
    if (root == NULL || !complete) {
        err_set(e, ERR_MEMORY, "no memory for the descriptor of a series");
        json_decref(root);
        return NULL;
    }
    return root;
}

static void read_old(struct package_writer *w, const char *path)
{
    struct stat status;
    /* An old descriptor that is missing or damaged is simply not used. */
    if (stat(path, &status) == 0 && descriptor_read(path, &w->old, NULL) == ERR_OK)
        w->old_time = status.st_mtim;
}

enum err_code series_write_package(const char *folder, const struct plan *plan, struct err *e)
{
    struct package_writer w = {.folder = folder};
    char full[SERIES_PATH_MAX];
    bool finished[10000];
    json_t *root = NULL;
    enum err_code code = series_path_join(folder, DESCRIPTOR_NAME, full, e);
    if (code == ERR_OK)
        code = find_runs(folder, finished, e);
    if (code != ERR_OK)
        return code;
    read_old(&w, full);
    root = describe_plan(plan, e);
    w.resources = json_array();
    if (root == NULL || w.resources == NULL)
        code = ERR_MEMORY;
    if (code == ERR_OK)
        code = describe_origin(folder, finished, root, e);
    if (code == ERR_OK)
        code =
            add_file(&w, "plan", "plan.yaml", plain_file("yaml", "application/yaml", "The plan as run"), e);
    if (code == ERR_OK)
        code = add_file(&w, "calibration", "calibration.json",
                        plain_file("json", "application/json", "Calibration of load cell and feed"), e);
    for (int n = 1; code == ERR_OK && n < 10000; n++) {
        if (finished[n])
            code = add_run(&w, n, e);
    }
    if (code == ERR_OK && json_object_set(root, "resources", w.resources) != 0)
        code = err_set_at(e, ERR_MEMORY, full, 0, 0, "no memory to write it");
    if (code == ERR_OK)
        code = json_strict_write(full, root, e);
    json_decref(w.resources);
    json_decref(root);
    descriptor_free(&w.old);
    return code;
}
