/* series_verify of series.h. */
#include "datasets/format/series.h"

#include "datasets/format/descriptor.h"
#include "datasets/format/file_bytes.h"
#include "datasets/format/series_path.h"

#include <errno.h>
#include <fts.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>

/* Past these a folder is no series, and listing more of it helps nobody. */
#define STRAYS_MAX       100
#define FOLDER_DEPTH_MAX 8

struct verifier {
    const char *folder;
    void (*report)(void *context, const struct err *finding);
    void *context;
    struct err *first;
    size_t findings;
    struct descriptor descriptor;
    struct plan plan;
    bool plan_read;
    struct run_record record;
};

static void find(struct verifier *v, const struct err *finding)
{
    if (v->findings++ == 0 && v->first != NULL)
        *v->first = *finding;
    v->report(v->context, finding);
}

/* A finding about one file of the folder. */
static void find_in(struct verifier *v, const char *path, const char *format, ...)
    __attribute__((format(printf, 3, 4)));

static void find_in(struct verifier *v, const char *path, const char *format, ...)
{
    struct err finding;
    char full[SERIES_PATH_MAX];
    char text[sizeof finding.text];
    va_list arguments;
    va_start(arguments, format);
    vsnprintf(text, sizeof text, format, arguments);
    va_end(arguments);
    if (series_path_join(v->folder, path, full, &finding) == ERR_OK)
        err_set_at(&finding, ERR_FILE, full, 0, 0, "%s", text);
    find(v, &finding);
}

/* Presence, size and hash. Returns whether the file can be looked at further; full receives where it is. */
static bool check_bytes(struct verifier *v, const struct descriptor_resource *r, char *full)
{
    struct err finding;
    struct stat status;
    char hash[FILE_BYTES_HASH_SIZE];
    const char *fault = series_path_fault(r->path);
    if (fault != NULL) {
        find_in(v, DESCRIPTOR_NAME, "the resource path '%.250s' %s", r->path, fault);
        return false;
    }
    if (series_path_resolve(v->folder, r->path, full, &finding) != ERR_OK) {
        find(v, &finding);
        return false;
    }
    if (r->bytes < 0)
        find_in(v, r->path, "%s gives no size for it", DESCRIPTOR_NAME);
    else if (stat(full, &status) == 0 && status.st_size != r->bytes) {
        /* The hash can only differ too: one finding is enough. */
        find_in(v, r->path, "is %lld bytes long, but %s says %lld", (long long)status.st_size,
                DESCRIPTOR_NAME, (long long)r->bytes);
        return true;
    }
    if (r->hash[0] == 0)
        find_in(v, r->path, "%s gives no hash for it", DESCRIPTOR_NAME);
    else if (strncmp(r->hash, "sha256:", 7) != 0)
        find_in(v, r->path, "its hash '%.90s' cannot be checked: only sha256 is known", r->hash);
    else if (file_bytes_hash(full, hash, NULL, &finding) != ERR_OK)
        find(v, &finding);
    else if (strcasecmp(hash, r->hash) != 0)
        find_in(v, r->path, "its content does not match its hash: it was changed after it was recorded");
    return true;
}

static void check_marks(struct verifier *v, const char *path, bool simulated)
{
    if (simulated != v->descriptor.simulated)
        find_in(v, path, "says simulated: %s, but %s says %s", simulated ? "true" : "false", DESCRIPTOR_NAME,
                simulated ? "false" : "true");
}

static bool is_planned_feeder(const struct verifier *v, const char *name)
{
    for (size_t i = 0; i < v->plan.feeder_count; i++) {
        if (strcmp(v->plan.feeders[i].name, name) == 0)
            return true;
    }
    return false;
}

/* A run's sidecar and then its CSV against it. */
static void check_run(struct verifier *v, int number, const char *csv_full)
{
    char sidecar[32];
    char csv[32];
    char full[SERIES_PATH_MAX];
    struct run_columns columns = {0};
    struct err finding;
    bool has_record = false;
    series_path_of_run(number, "json", sidecar);
    series_path_of_run(number, "csv", csv);
    if (descriptor_find(&v->descriptor, sidecar) == NULL)
        find_in(v, csv, "has no sidecar %s in %s", sidecar, DESCRIPTOR_NAME);
    else if (series_path_resolve(v->folder, sidecar, full, NULL) == ERR_OK) {
        /* That it is missing is a finding of its own resource. */
        if (run_record_read(full, &v->record, &finding) != ERR_OK)
            find(v, &finding);
        else
            has_record = true;
    }
    if (run_csv_read(csv_full, &columns, &finding) != ERR_OK)
        find(v, &finding);
    else if (has_record && (int64_t)columns.n != v->record.rows)
        find_in(v, csv, "has %zu rows, but its sidecar says %lld", columns.n, (long long)v->record.rows);
    run_columns_free(&columns);
    if (!has_record)
        return;
    if (v->record.number != number)
        find_in(v, sidecar, "number: is %d, but the file belongs to run %d", v->record.number, number);
    if (v->plan_read && !is_planned_feeder(v, v->record.feeder))
        find_in(v, sidecar, "feeder: the plan has no feeder '%s'", v->record.feeder);
    check_marks(v, sidecar, v->record.simulated);
}

static void check_resource(struct verifier *v, const struct descriptor_resource *r)
{
    char full[SERIES_PATH_MAX];
    int run = series_path_run_number(r->path, "csv");
    int sidecar = series_path_run_number(r->path, "json");
    bool present;
    if (descriptor_find(&v->descriptor, r->path) != r) {
        find_in(v, DESCRIPTOR_NAME, "lists '%.250s' twice", r->path);
        return;
    }
    present = check_bytes(v, r, full);
    if (sidecar > 0) {
        char csv[32];
        series_path_of_run(sidecar, "csv", csv);
        if (descriptor_find(&v->descriptor, csv) == NULL)
            find_in(v, r->path, "has no %s in %s", csv, DESCRIPTOR_NAME);
    }
    if (present && run > 0)
        check_run(v, run, full);
}

/* plan.yaml and calibration.json must be there, listed and good. */
static void check_fixed_files(struct verifier *v)
{
    static const char *const names[] = {"plan.yaml", "calibration.json"};
    for (size_t i = 0; i < 2; i++) {
        char full[SERIES_PATH_MAX];
        struct calibration calibration;
        struct err finding;
        enum err_code code;
        bool listed = descriptor_find(&v->descriptor, names[i]) != NULL;
        if (!listed)
            find_in(v, DESCRIPTOR_NAME, "does not list %s", names[i]);
        code = series_path_resolve(v->folder, names[i], full, &finding);
        /* A listed file that is missing is a finding of its resource. */
        if (code != ERR_OK) {
            if (!listed)
                find(v, &finding);
            continue;
        }
        code = i == 0 ? plan_read(full, &v->plan, &finding) : calibration_read(full, &calibration, &finding);
        if (code != ERR_OK)
            find(v, &finding);
        else if (i == 0)
            v->plan_read = true;
    }
    if (v->plan_read)
        check_marks(v, "plan.yaml", v->plan.simulated);
}

static bool ends_with(const char *text, const char *ending)
{
    size_t length = strlen(text);
    return length >= strlen(ending) && strcmp(text + length - strlen(ending), ending) == 0;
}

/* Anything in the folder that nobody listed. A README.md beside the descriptor is for people and may be
 * there. */
static void check_strays(struct verifier *v)
{
    char *real = realpath(v->folder, NULL);
    char *roots[] = {real, NULL};
    FTS *walk = real == NULL ? NULL : fts_open(roots, FTS_PHYSICAL | FTS_NOCHDIR, NULL);
    FTSENT *entry;
    size_t strays = 0;
    if (walk == NULL) {
        find_in(v, "", "cannot be listed: %s", strerror(errno));
        free(real);
        return;
    }
    while (strays < STRAYS_MAX && (entry = fts_read(walk)) != NULL) {
        const char *path = entry->fts_path + strlen(real);
        path += *path == '/';
        if (entry->fts_info == FTS_DNR || entry->fts_info == FTS_ERR) {
            find_in(v, path, "cannot be read: %s", strerror(entry->fts_errno));
            continue;
        }
        if (entry->fts_info == FTS_D && entry->fts_level > FOLDER_DEPTH_MAX) {
            find_in(v, path, "is nested too deep to belong to a series");
            fts_set(walk, entry, FTS_SKIP);
            strays++;
        }
        if (entry->fts_info == FTS_D || entry->fts_info == FTS_DP || strcmp(path, DESCRIPTOR_NAME) == 0 ||
            strcmp(path, "README.md") == 0 || descriptor_find(&v->descriptor, path) != NULL)
            continue;
        if (ends_with(path, ".part"))
            find_in(v, path, "is an interrupted run: it was being written when the capture ended");
        else
            find_in(v, path, "is not listed in %s", DESCRIPTOR_NAME);
        if (++strays == STRAYS_MAX)
            find_in(v, "", "has more files that %s does not list; the rest is not shown", DESCRIPTOR_NAME);
    }
    fts_close(walk);
    free(real);
}

enum err_code series_verify(const char *folder, void (*report)(void *context, const struct err *finding),
                            void *context, struct err *e)
{
    char full[SERIES_PATH_MAX];
    struct err finding;
    struct verifier *v = calloc(1, sizeof *v);
    enum err_code code;
    if (v == NULL)
        return err_set_at(e, ERR_MEMORY, folder, 0, 0, "no memory to verify it");
    v->folder = folder;
    v->report = report;
    v->context = context;
    v->first = e;
    code = series_path_resolve(folder, DESCRIPTOR_NAME, full, &finding);
    if (code == ERR_OK)
        code = descriptor_read(full, &v->descriptor, &finding);
    if (code != ERR_OK) {
        find(v, &finding);
    } else {
        check_fixed_files(v);
        for (size_t i = 0; i < v->descriptor.count; i++)
            check_resource(v, &v->descriptor.resources[i]);
        check_strays(v);
        code = v->findings == 0 ? ERR_OK : ERR_FILE;
    }
    descriptor_free(&v->descriptor);
    free(v);
    return code;
}
