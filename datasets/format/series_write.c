/* The writing half of series.h. */
#include "datasets/format/series.h"

#include "datasets/format/descriptor.h"
#include "datasets/format/descriptor_write.h"
#include "datasets/format/file_bytes.h"
#include "datasets/format/json_strict.h"
#include "datasets/format/series_path.h"

#include <dirent.h>
#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

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

/* The record of a run; false when it cannot be read, which is for series_verify to tell. */
static bool read_record(const struct package_writer *w, int number, struct run_record *record)
{
    char path[32];
    char full[SERIES_PATH_MAX];
    series_path_of_run(number, "json", path);
    return series_path_resolve(w->folder, path, full, NULL) == ERR_OK &&
           run_record_read(full, record, NULL) == ERR_OK;
}

/* Both files of a run, and its rig among the sources; record: NULL where it cannot be read. */
static enum err_code add_files(struct package_writer *w, int number, const struct run_record *record,
                               json_t *root, struct err *e)
{
    char name[32];
    char path[32];
    enum err_code code;
    if (record != NULL && !descriptor_write_origin(root, record))
        return err_set_at(e, ERR_MEMORY, w->folder, 0, 0, "no memory for its descriptor");
    snprintf(name, sizeof name, "run-%04d", number);
    series_path_of_run(number, "csv", path);
    code = add_file(w, name, path, descriptor_write_run(number, record), e);
    if (code != ERR_OK)
        return code;
    snprintf(name, sizeof name, "run-%04d-record", number);
    series_path_of_run(number, "json", path);
    return add_file(w, name, path, descriptor_write_record(number, record), e);
}

static enum err_code add_run(struct package_writer *w, int number, json_t *root, struct err *e)
{
    struct run_record record = {0};
    bool read = read_record(w, number, &record);
    enum err_code code = add_files(w, number, read ? &record : NULL, root, e);
    run_record_free(&record);
    return code;
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
    root = descriptor_write_root(plan);
    w.resources = json_array();
    if (root == NULL || w.resources == NULL)
        code = err_set_at(e, ERR_MEMORY, full, 0, 0, "no memory for it, or a text that is no UTF-8");
    if (code == ERR_OK)
        code = add_file(&w, "plan", "plan.yaml", descriptor_write_plan(), e);
    if (code == ERR_OK)
        code = add_file(&w, "calibration", "calibration.json", descriptor_write_calibration(), e);
    for (int n = 1; code == ERR_OK && n < 10000; n++) {
        if (finished[n])
            code = add_run(&w, n, root, e);
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
