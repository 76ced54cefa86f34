#include "datasets/format/series.h"

#include "datasets/format/descriptor.h"
#include "datasets/format/file_bytes.h"
#include "datasets/format/series_calibration.h"
#include "datasets/format/series_path.h"
#include "datasets/format/series_repeats.h"

#include <pthread.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>

#define THREADS_MAX 64
/* For fewer the start of one more thread is not worth it. */
#define SIDECARS_OF_A_THREAD 16

enum err_code series_hash_file(const char *path, char *text, struct err *e)
{
    return file_bytes_hash(path, text, NULL, e);
}

enum err_code series_write_file(const char *path, const void *bytes, size_t length, struct err *e)
{
    return file_bytes_write(path, bytes, length, e);
}

enum err_code series_package_hash(const char *folder, char *text, struct err *e)
{
    char full[SERIES_PATH_MAX];
    enum err_code code = series_path_resolve(folder, DESCRIPTOR_NAME, full, e);
    return code != ERR_OK ? code : file_bytes_hash(full, text, NULL, e);
}

void series_free(struct series *s)
{
    if (s == NULL)
        return;
    for (size_t i = 0; s->runs != NULL && i < s->run_count; i++)
        run_record_free(&s->runs[i]);
    free(s->runs);
    free(s->csv_bytes);
    free(s->csv_hashes);
    free(s->folder);
    free(s->real_folder);
    series_calibration_free(s->other);
    free(s);
}

static int compare_numbers(const void *a, const void *b)
{
    int x = *(const int *)a;
    int y = *(const int *)b;
    return (x > y) - (x < y);
}

/* Numbers of the runs that the descriptor lists by sidecar and CSV, sorted, into numbers (room for
 * SERIES_RUNS_MAX). */
static enum err_code list_runs(const struct descriptor *d, const char *descriptor_path, int *numbers,
                               size_t *count, struct err *e)
{
    bool has_csv[10000] = {false};
    bool has_sidecar[10000] = {false};
    *count = 0;
    for (size_t i = 0; i < d->count; i++) {
        const char *path = d->resources[i].path;
        const char *fault = series_path_fault(path);
        if (fault != NULL)
            return err_set_at(e, ERR_FILE, descriptor_path, 0, 0, "resource %zu: the path '%.250s' %s", i + 1,
                              path, fault);
        has_csv[series_path_run_number(path, "csv")] = true;
        has_sidecar[series_path_run_number(path, "json")] = true;
    }
    for (int n = 1; n < 10000; n++) {
        if (has_csv[n] != has_sidecar[n])
            return err_set_at(e, ERR_FILE, descriptor_path, 0, 0, "lists runs/%04d.%s without runs/%04d.%s",
                              n, has_csv[n] ? "csv" : "json", n, has_csv[n] ? "json" : "csv");
        if (!has_csv[n])
            continue;
        if (*count == SERIES_RUNS_MAX)
            return err_set_at(e, ERR_FILE, descriptor_path, 0, 0, "lists more than %d runs", SERIES_RUNS_MAX);
        numbers[(*count)++] = n;
    }
    qsort(numbers, *count, sizeof *numbers, compare_numbers);
    return ERR_OK;
}

/* How a file differs from what the descriptor says of it. */
enum difference { SAME, OTHER_CONTENT, OTHER_SIZE };

/* What a file was found to be. */
struct found_file {
    char hash[FILE_BYTES_HASH_SIZE];
    int64_t bytes;
};

/* What the descriptor does not give passes: that is for series_verify to tell. A hash that cannot be checked
 * is ERR_FILE. */
static enum err_code compare_with_listed(const char *full, int64_t bytes, const char *hash,
                                         const struct found_file *found, enum difference *difference,
                                         struct err *e)
{
    *difference = SAME;
    if (hash[0] != 0 && strncmp(hash, "sha256:", 7) != 0)
        return err_set_at(e, ERR_FILE, full, 0, 0, "its hash '%.90s' cannot be checked: only sha256 is known",
                          hash);
    if (hash[0] != 0 && strcasecmp(found->hash, hash) != 0)
        *difference = OTHER_CONTENT;
    else if (bytes >= 0 && found->bytes != bytes)
        *difference = OTHER_SIZE;
    return ERR_OK;
}

/* A report on files that were changed later would carry the name of a package that does not hold them. */
static enum err_code refuse_if_changed(const char *full, int64_t bytes, const char *hash,
                                       const struct found_file *found, struct err *e)
{
    enum difference difference;
    enum err_code code = compare_with_listed(full, bytes, hash, found, &difference, e);
    if (code != ERR_OK || difference == SAME)
        return code;
    if (difference == OTHER_SIZE)
        return err_set_at(e, ERR_FILE, full, 0, 0, "is %lld bytes long, but %s says %lld",
                          (long long)found->bytes, DESCRIPTOR_NAME, (long long)bytes);
    return err_set_at(e, ERR_FILE, full, 0, 0,
                      "its content does not match its hash: it was changed after it was recorded");
}

/* The resource with that path; one that gives nothing where it is not listed. */
static struct descriptor_resource listed(const struct descriptor *d, const char *path)
{
    static char nothing[] = "";
    const struct descriptor_resource *r = descriptor_find(d, path);
    return r == NULL ? (struct descriptor_resource){NULL, -1, nothing} : *r;
}

/* Look at a file apart from its reading. */
static enum err_code find_file(const char *full, struct found_file *found, struct err *e)
{
    return file_bytes_hash(full, found->hash, &found->bytes, e);
}

/* The sidecar of runs[i], whose number is known from its name, and what is listed of its CSV. */
static enum err_code read_record(struct series *s, const struct descriptor *d, size_t i, int number,
                                 struct err *e)
{
    char path[32];
    char full[SERIES_PATH_MAX];
    struct descriptor_resource csv;
    struct descriptor_resource sidecar;
    struct found_file found;
    enum err_code code;
    series_path_of_run(number, "json", path);
    sidecar = listed(d, path);
    code = series_path_resolve_real(s->folder, s->real_folder, path, full, e);
    if (code == ERR_OK)
        code = run_record_read_hashed(full, &s->runs[i], found.hash, &found.bytes, e);
    if (code == ERR_OK && s->runs[i].number != number)
        code = err_set_at(e, ERR_FILE, full, 0, 0, "number: is %d, but the file belongs to run %d",
                          s->runs[i].number, number);
    if (code == ERR_OK)
        code = refuse_if_changed(full, sidecar.bytes, sidecar.hash, &found, e);
    if (code != ERR_OK)
        return code;
    series_path_of_run(number, "csv", path);
    csv = listed(d, path);
    s->csv_bytes[i] = csv.bytes;
    /* One that is cut short here matches nothing. */
    snprintf(s->csv_hashes[i], sizeof s->csv_hashes[i], "%s", csv.hash);
    return ERR_OK;
}

/* Sidecars that are read by several threads. */
struct sidecars {
    struct series *series;
    const struct descriptor *descriptor;
    const int *numbers;
    pthread_mutex_t lock; /* of all below */
    size_t next;
    enum err_code code;
    struct err error; /* of the lowest run that cannot be read */
    size_t error_run;
};

/* No more are taken once one cannot be read: those of lower runs are all taken by then. */
static bool take_sidecar(struct sidecars *all, size_t *i)
{
    bool taken;
    pthread_mutex_lock(&all->lock);
    taken = all->code == ERR_OK && all->next < all->series->run_count;
    *i = taken ? all->next++ : 0;
    pthread_mutex_unlock(&all->lock);
    return taken;
}

static void *read_sidecars(void *argument)
{
    struct sidecars *all = argument;
    size_t i;
    while (take_sidecar(all, &i)) {
        struct err e = {0};
        enum err_code code = read_record(all->series, all->descriptor, i, all->numbers[i], &e);
        if (code == ERR_OK)
            continue;
        pthread_mutex_lock(&all->lock);
        if (all->code == ERR_OK || i < all->error_run) {
            all->code = code;
            all->error = e;
            all->error_run = i;
        }
        pthread_mutex_unlock(&all->lock);
    }
    return NULL;
}

static enum err_code read_records(struct series *s, const struct descriptor *d, const int *numbers,
                                  int threads, struct err *e)
{
    struct sidecars all = {
        .series = s, .descriptor = d, .numbers = numbers, .lock = PTHREAD_MUTEX_INITIALIZER};
    pthread_t others[THREADS_MAX];
    int started = 0;
    if (threads > THREADS_MAX)
        threads = THREADS_MAX;
    while (started + 1 < threads && (size_t)(started + 1) * SIDECARS_OF_A_THREAD < s->run_count &&
           pthread_create(&others[started], NULL, read_sidecars, &all) == 0)
        started++;
    read_sidecars(&all);
    while (started > 0)
        pthread_join(others[--started], NULL);
    pthread_mutex_destroy(&all.lock);
    if (all.code != ERR_OK && e != NULL)
        *e = all.error;
    for (size_t i = 0; i < s->run_count; i++)
        s->simulated = s->simulated || s->runs[i].simulated;
    return all.code;
}

static enum err_code open_described(struct series *s, struct descriptor *d, int threads, struct err *e)
{
    char full[SERIES_PATH_MAX];
    int numbers[SERIES_RUNS_MAX];
    struct descriptor_resource calibration;
    struct descriptor_resource plan;
    struct found_file found;
    enum difference difference;
    enum err_code code = series_path_resolve(s->folder, DESCRIPTOR_NAME, full, e);
    if (code == ERR_OK)
        code = descriptor_read_hashed(full, d, s->package_hash, e);
    if (code == ERR_OK)
        code = list_runs(d, full, numbers, &s->run_count, e);
    /* Without one, each path finds out for itself. */
    s->real_folder = realpath(s->folder, NULL);
    if (code == ERR_OK)
        code = series_path_resolve(s->folder, "plan.yaml", full, e);
    if (code == ERR_OK)
        code = plan_read(full, &s->plan, e);
    plan = listed(d, "plan.yaml");
    if (code == ERR_OK)
        code = find_file(full, &found, e);
    if (code == ERR_OK)
        code = refuse_if_changed(full, plan.bytes, plan.hash, &found, e);
    if (code == ERR_OK)
        code = series_path_resolve(s->folder, "calibration.json", full, e);
    if (code == ERR_OK)
        code = calibration_read(full, &s->calibration, e);
    calibration = listed(d, "calibration.json");
    /* A better calibration may take the place of the one that was recorded: told, not refused. */
    if (code == ERR_OK)
        code = find_file(full, &found, e);
    if (code == ERR_OK)
        code = compare_with_listed(full, calibration.bytes, calibration.hash, &found, &difference, e);
    if (code != ERR_OK)
        return code;
    s->calibration_replaced = difference != SAME;
    memcpy(s->calibration_hash, found.hash, sizeof s->calibration_hash);
    /* What anybody marks as simulated is simulated. */
    s->simulated = d->simulated || s->plan.simulated;
    strcpy(s->title, s->plan.title);
    s->runs = calloc(s->run_count + 1, sizeof *s->runs);
    s->csv_hashes = calloc(s->run_count + 1, sizeof *s->csv_hashes);
    s->csv_bytes = calloc(s->run_count + 1, sizeof *s->csv_bytes);
    if (s->runs == NULL || s->csv_hashes == NULL || s->csv_bytes == NULL)
        return err_set_at(e, ERR_MEMORY, s->folder, 0, 0, "no memory for %zu runs", s->run_count);
    code = read_records(s, d, numbers, threads, e);
    return code == ERR_OK ? series_repeats_settle(s->folder, s->runs, s->run_count, e) : code;
}

static enum err_code open_into(struct series *s, int threads, struct err *e)
{
    struct descriptor d = {0};
    enum err_code code = open_described(s, &d, threads, e);
    descriptor_free(&d);
    return code;
}

enum err_code series_open(const char *folder, struct series **s, struct err *e)
{
    return series_open_threads(folder, 1, s, e);
}

enum err_code series_open_threads(const char *folder, int threads, struct series **s, struct err *e)
{
    struct series *opened = calloc(1, sizeof *opened);
    enum err_code code;
    *s = NULL;
    if (opened == NULL || (opened->folder = strdup(folder)) == NULL) {
        series_free(opened);
        return err_set_at(e, ERR_MEMORY, folder, 0, 0, "no memory to open it");
    }
    code = open_into(opened, threads, e);
    if (code != ERR_OK) {
        series_free(opened);
        return code;
    }
    *s = opened;
    return ERR_OK;
}

enum err_code series_read_run(const struct series *s, size_t i, struct run_columns *columns, struct err *e)
{
    return series_read_run_threads(s, i, 1, columns, e);
}

enum err_code series_read_run_threads(const struct series *s, size_t i, int threads,
                                      struct run_columns *columns, struct err *e)
{
    struct found_file found = {.bytes = -1};
    struct run_csv_how how = {.threads = threads, .size = &found.bytes};
    char path[32];
    char full[SERIES_PATH_MAX];
    enum err_code code;
    memset(columns, 0, sizeof *columns);
    if (i >= s->run_count)
        return err_set_at(e, ERR_CALLER, s->folder, 0, 0, "has %zu runs; there is no run at place %zu",
                          s->run_count, i);
    if (s->csv_hashes[i][0] != 0)
        how.hash = found.hash;
    series_path_of_run(s->runs[i].number, "csv", path);
    code = series_path_resolve_real(s->folder, s->real_folder, path, full, e);
    if (code == ERR_OK)
        code = run_csv_read_how(full, &how, columns, e);
    if (code == ERR_OK && (int64_t)columns->n != s->runs[i].rows)
        code = err_set_at(e, ERR_FILE, full, 0, 0, "has %zu rows, but its sidecar says %lld", columns->n,
                          (long long)s->runs[i].rows);
    /* After the rows, so that a bad one is named by its line. */
    if (code == ERR_OK)
        code = refuse_if_changed(full, s->csv_bytes[i], s->csv_hashes[i], &found, e);
    if (code != ERR_OK)
        run_columns_free(columns);
    return code;
}
