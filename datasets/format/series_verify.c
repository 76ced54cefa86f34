/* series_verify of series.h. */
#include "datasets/format/series.h"

#include "datasets/format/descriptor.h"
#include "datasets/format/file_bytes.h"
#include "datasets/format/sample_grid.h"
#include "datasets/format/series_path.h"
#include "datasets/format/series_repeats.h"

#include <errno.h>
#include <fts.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>

/* Past these a folder is no series, and listing more of it helps nobody. */
#define STRAYS_MAX       100
#define FOLDER_DEPTH_MAX 8
/* A run with more holes than this that its record does not tell of is told of once more, and not hole by
 * hole. */
#define HOLES_TOLD_MAX 20

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
    struct series_verify_watch *watch;
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
/* The same about one line of it. */
static void find_at(struct verifier *v, const char *path, int64_t line, const char *format, ...)
    __attribute__((format(printf, 4, 5)));

static void find_text(struct verifier *v, const char *path, int64_t line, const char *format,
                      va_list arguments)
{
    struct err finding;
    char full[SERIES_PATH_MAX];
    char text[sizeof finding.text];
    vsnprintf(text, sizeof text, format, arguments);
    if (series_path_join(v->folder, path, full, &finding) == ERR_OK)
        err_set_at(&finding, ERR_FILE, full, line, 0, "%s", text);
    find(v, &finding);
}

static void find_in(struct verifier *v, const char *path, const char *format, ...)
{
    va_list arguments;
    va_start(arguments, format);
    find_text(v, path, 0, format, arguments);
    va_end(arguments);
}

static void find_at(struct verifier *v, const char *path, int64_t line, const char *format, ...)
{
    va_list arguments;
    va_start(arguments, format);
    find_text(v, path, line, format, arguments);
    va_end(arguments);
}

static void came(void *context, int64_t bytes)
{
    struct verifier *v = context;
    if (v->watch != NULL && v->watch->came != NULL)
        v->watch->came(v->watch->context, 0, bytes);
}

/* Presence, size and hash. Returns whether the file can be looked at further; full receives where it is. */
static bool check_bytes(struct verifier *v, const struct descriptor_resource *r, char *full)
{
    struct err finding;
    struct stat status;
    char hash[FILE_BYTES_HASH_SIZE];
    const char *fault = series_path_fault(r->path);
    bool present;
    if (fault != NULL) {
        find_in(v, DESCRIPTOR_NAME, "the resource path '%.250s' %s", r->path, fault);
        return false;
    }
    if (series_path_resolve(v->folder, r->path, full, &finding) != ERR_OK) {
        find(v, &finding);
        return false;
    }
    present = stat(full, &status) == 0;
    if (present && v->watch != NULL)
        v->watch->bytes += status.st_size;
    if (r->bytes < 0)
        find_in(v, r->path, "%s gives no size for it", DESCRIPTOR_NAME);
    else if (present && status.st_size != r->bytes) {
        /* The hash can only differ too: one finding is enough. */
        find_in(v, r->path, "is %lld bytes long, but %s says %lld", (long long)status.st_size,
                DESCRIPTOR_NAME, (long long)r->bytes);
        return true;
    }
    if (r->hash[0] == 0)
        find_in(v, r->path, "%s gives no hash for it", DESCRIPTOR_NAME);
    else if (strncmp(r->hash, "sha256:", 7) != 0)
        find_in(v, r->path, "its hash '%.90s' cannot be checked: only sha256 is known", r->hash);
    else if (file_bytes_hash_told(full, hash, NULL, came, v, &finding) != ERR_OK)
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

/* How the holes of the rows are gone through beside the gaps of the record, both in the order of time. */
struct hole_check {
    const char *csv, *sidecar;
    size_t next;                       /* gap to be looked at next */
    size_t told;                       /* holes that were found fault with */
    int64_t rest_places, rest_samples; /* of holes that a last gap sums up */
};

/* Gaps in front of time_us tell of no hole. */
static void pass_gaps(struct verifier *v, struct hole_check *h, size_t single, int64_t time_us)
{
    const struct run_gap *gaps = v->record.link_gaps;
    for (; h->next < single && gaps[h->next].time_us < time_us; h->next++) {
        if (gaps[h->next].samples != 0)
            find_in(v, h->sidecar,
                    "link.gaps: %lld samples are said to be missing at %lld us, but %s has no hole there",
                    (long long)gaps[h->next].samples, (long long)gaps[h->next].time_us, h->csv);
    }
}

static void check_hole(struct verifier *v, struct hole_check *h, size_t single, int64_t time_us,
                       int64_t samples, int64_t line)
{
    const struct run_gap *gaps = v->record.link_gaps;
    int64_t said = 0;
    bool listed = false;
    pass_gaps(v, h, single, time_us);
    for (; h->next < single && gaps[h->next].time_us == time_us; h->next++) {
        said += gaps[h->next].samples;
        listed = true;
    }
    /* Where the last gap sums up, what the single ones leave is its own. */
    if (said != samples && single < v->record.link.gap_count && time_us >= gaps[single].time_us) {
        h->rest_places++;
        h->rest_samples += samples - said;
        return;
    }
    if (listed && said == samples)
        return;
    if (h->told++ >= HOLES_TOLD_MAX)
        return;
    if (listed)
        find_at(v, h->csv, line, "%lld samples are missing after this row, but %s says %lld",
                (long long)samples, h->sidecar, (long long)said);
    else
        find_at(v, h->csv, line, "%lld samples are missing after this row, of which %s does not tell",
                (long long)samples, h->sidecar);
}

/* What the record says of samples that are missing, counted again from the rows. The sums over the gaps are
 * part of reading a record. */
static void check_link(struct verifier *v, const char *csv, const char *sidecar, const struct run_columns *c)
{
    const struct run_record *r = &v->record;
    struct hole_check h = {csv, sidecar, 0, 0, 0, 0};
    bool sums_up = r->link.gap_count == SERIES_GAPS_MAX && r->link_gaps[SERIES_GAPS_MAX - 1].places > 1;
    size_t single = r->link.gap_count - sums_up;
    int64_t places;
    int64_t missing = sample_grid_count(c, r->sample_rate_hz, &places);
    if (missing != r->link.samples_missing)
        find_in(v, csv, "%lld samples are missing in %lld places, but %s says %lld samples",
                (long long)missing, (long long)places, sidecar, (long long)r->link.samples_missing);
    for (size_t i = 0; places > 0 && i + 1 < c->n; i++) {
        int64_t samples = sample_grid_missing(c->time_us[i], c->time_us[i + 1], r->sample_rate_hz);
        /* The header is line 1. */
        if (samples > 0)
            check_hole(v, &h, single, c->time_us[i], samples, (int64_t)i + 2);
    }
    pass_gaps(v, &h, single, INT64_MAX);
    if (h.told > HOLES_TOLD_MAX)
        find_in(v, csv, "has %zu more holes of which %s tells otherwise or not at all; they are not shown",
                h.told - HOLES_TOLD_MAX, sidecar);
    if (sums_up &&
        (h.rest_samples != r->link_gaps[single].samples || h.rest_places > r->link_gaps[single].places))
        find_in(v, csv,
                "from %lld us on %lld samples are missing in %lld places, but %s says %lld samples in %lld "
                "places",
                (long long)r->link_gaps[single].time_us, (long long)h.rest_samples, (long long)h.rest_places,
                sidecar, (long long)r->link_gaps[single].samples, (long long)r->link_gaps[single].places);
}

/* Of a run that repeats another: that one must be there, and be of the same place in the plan. */
static void check_repeats(struct verifier *v, const char *sidecar)
{
    struct run_record other;
    struct err finding;
    char path[32];
    char full[SERIES_PATH_MAX];
    char why[120];
    series_path_of_run(v->record.repeats, "json", path);
    if (descriptor_find(&v->descriptor, path) == NULL) {
        find_in(v, sidecar, "repeats: there is no run %d", v->record.repeats);
        return;
    }
    /* That it cannot be read is a finding of its own. */
    if (series_path_resolve(v->folder, path, full, NULL) != ERR_OK ||
        run_record_read(full, &other, &finding) != ERR_OK)
        return;
    if (!series_repeats_fits(&v->record, &other, why, sizeof why))
        find_in(v, sidecar, "%s", why);
    run_record_free(&other);
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
    if (run_csv_read(csv_full, &columns, &finding) != ERR_OK) {
        find(v, &finding);
    } else if (has_record) {
        if ((int64_t)columns.n != v->record.rows)
            find_in(v, csv, "has %zu rows, but its sidecar says %lld", columns.n, (long long)v->record.rows);
        if (v->record.link_recorded)
            check_link(v, csv, sidecar, &columns);
    }
    run_columns_free(&columns);
    if (!has_record)
        return;
    if (v->record.number != number)
        find_in(v, sidecar, "number: is %d, but the file belongs to run %d", v->record.number, number);
    if (v->plan_read && !is_planned_feeder(v, v->record.feeder))
        find_in(v, sidecar, "feeder: the plan has no feeder '%s'", v->record.feeder);
    if (v->record.repeats > 0)
        check_repeats(v, sidecar);
    check_marks(v, sidecar, v->record.simulated);
    run_record_free(&v->record);
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
    if (present && run > 0) {
        check_run(v, run, full);
        came(v, r->bytes > 0 ? r->bytes : 0);
    }
    if (v->watch == NULL)
        return;
    v->watch->files++;
    v->watch->runs += run > 0;
    if (v->watch->came != NULL)
        v->watch->came(v->watch->context, 1, 0);
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

/* Whether path belongs to a run that was being written, by the file of its rows or, without one, by its
 * journal. *again tells that another file of it has been, or will be, taken for it. */
static bool is_interrupted(const struct verifier *v, const char *path, bool *again)
{
    const char *ending;
    char rows[32];
    char full[SERIES_PATH_MAX];
    struct stat status;
    int number = series_path_run_file(path, &ending);
    *again = false;
    if (number == 0 ||
        (strcmp(ending, "csv.part") != 0 && strcmp(ending, "json.part") != 0 && strcmp(ending, "json") != 0))
        return false;
    if (strcmp(ending, "csv.part") == 0)
        return true;
    series_path_of_run(number, "csv.part", rows);
    *again = series_path_join(v->folder, rows, full, NULL) == ERR_OK && lstat(full, &status) == 0;
    return *again || strcmp(ending, "json.part") == 0;
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
        bool again;
        bool interrupted;
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
        interrupted = is_interrupted(v, path, &again);
        if (again)
            continue;
        if (interrupted)
            find_in(v, path, "is an interrupted run: 'nipbench-capture run --resume' puts it in order");
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
    return series_verify_watched(folder, report, context, NULL, e);
}

/* A descriptor may say anything: a sum past this is as good as any other. */
#define LISTED_MAX (INT64_MAX / 4)

static int64_t listed(const struct descriptor *d)
{
    int64_t sum = 0;
    for (size_t i = 0; i < d->count; i++) {
        int64_t bytes = d->resources[i].bytes;
        int64_t times = series_path_run_number(d->resources[i].path, "csv") > 0 ? 2 : 1;
        if (bytes > LISTED_MAX / times - sum / times)
            return LISTED_MAX;
        sum += bytes > 0 ? times * bytes : 0;
    }
    return sum;
}

int64_t series_verify_listed(const char *folder, size_t *files)
{
    struct descriptor d = {0};
    char full[SERIES_PATH_MAX];
    struct err finding;
    int64_t bytes = 0;
    *files = 0;
    if (series_path_resolve(folder, DESCRIPTOR_NAME, full, &finding) == ERR_OK &&
        descriptor_read(full, &d, &finding) == ERR_OK) {
        bytes = listed(&d);
        *files = d.count;
    }
    descriptor_free(&d);
    return bytes;
}

enum err_code series_verify_watched(const char *folder,
                                    void (*report)(void *context, const struct err *finding), void *context,
                                    struct series_verify_watch *watch, struct err *e)
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
    v->watch = watch;
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
