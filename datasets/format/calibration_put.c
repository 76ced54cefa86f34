#include "datasets/format/calibration_put.h"

#include "datasets/format/file_bytes.h"

#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#define FILE_BYTES_MAX (256 * 1024)
#define VERSIONS_MAX   99

static bool exists(const char *path)
{
    struct stat status;
    return lstat(path, &status) == 0 || errno != ENOENT;
}

enum err_code calibration_put_read_old(const char *path, bool *present, struct calibration *old,
                                       struct err *e)
{
    struct calibration found;
    struct err why;
    enum err_code code;
    *present = exists(path);
    if (!*present)
        return ERR_OK;
    code = calibration_read(path, &found, &why);
    if (code == ERR_OK)
        *old = found;
    else
        err_set_at(e, code, why.file[0] != 0 ? why.file : path, why.line, why.column,
                   "%.600s; it is not replaced: move it away, or choose another file with --out", why.text);
    return code;
}

/* "dir/calibration-2031-04-05T160708Z-2.json" from "dir/calibration.json"; false: too long. */
static bool name_version(const char *path, const char *date, int version, char *name, size_t size)
{
    const char *slash = strrchr(path, '/');
    const char *dot = strrchr(slash == NULL ? path : slash, '.');
    int stem = dot == NULL ? (int)strlen(path) : (int)(dot - path);
    char plain[40], number[16] = "";
    size_t n = 0;
    for (const char *p = date; *p != 0 && n < sizeof plain - 1; p++) {
        if (*p != ':')
            plain[n++] = *p;
    }
    plain[n] = 0;
    if (version > 1)
        snprintf(number, sizeof number, "-%d", version);
    return snprintf(name, size, "%.*s-%s%s%s", stem, path, plain, number, dot == NULL ? "" : dot) < (int)size;
}

/* Whether name may hold the old bytes: *same when it does already. */
static enum err_code may_hold(const char *name, const char *bytes, size_t length, bool *same, bool *free_name,
                              struct err *e)
{
    char *there;
    size_t there_length;
    enum err_code code;
    *same = false;
    *free_name = !exists(name);
    if (*free_name)
        return ERR_OK;
    code = file_bytes_read(name, FILE_BYTES_MAX, &there, &there_length, e);
    if (code == ERR_FILE)
        return ERR_OK; /* a folder, or something long: not ours */
    if (code == ERR_OK) {
        *same = there_length == length && memcmp(there, bytes, length) == 0;
        free(there);
    }
    return code;
}

static enum err_code keep(const char *path, const char *date, const char *bytes, size_t length, char *kept,
                          struct err *e)
{
    for (int version = 1; version <= VERSIONS_MAX; version++) {
        bool same, free_name;
        enum err_code code;
        if (!name_version(path, date, version, kept, CALIBRATION_PUT_PATH_SIZE))
            return err_set_at(e, ERR_FILE, path, 0, 0, "this path is too long");
        code = may_hold(kept, bytes, length, &same, &free_name, e);
        if (code == ERR_OK && free_name)
            code = file_bytes_write(kept, bytes, length, e);
        if (code != ERR_OK || same || free_name)
            return code;
    }
    return err_set_at(
        e, ERR_FILE, path, 0, 0,
        "%d versions of its date are kept beside it, and this would be one more: move some away",
        VERSIONS_MAX);
}

enum err_code calibration_put(const char *path, const struct calibration *c,
                              struct calibration_put_outcome *outcome, struct err *e)
{
    struct calibration old;
    char pending[CALIBRATION_PUT_PATH_SIZE];
    char *before = NULL, *after = NULL;
    size_t before_length = 0, after_length = 0;
    bool present, pending_there = false;
    enum err_code code = calibration_put_read_old(path, &present, &old, e);
    memset(outcome, 0, sizeof *outcome);
    if (code != ERR_OK)
        return code;
    if (!present)
        return calibration_write(path, c, e);
    /* The new file is made under a name of its own first: so nothing is kept for one that cannot be written,
     * and the two can be compared. */
    if (snprintf(pending, sizeof pending, "%s.new-%ld", path, (long)getpid()) >= (int)sizeof pending)
        return err_set_at(e, ERR_FILE, path, 0, 0, "this path is too long");
    code = calibration_write(pending, c, e);
    pending_there = code == ERR_OK;
    if (code == ERR_OK)
        code = file_bytes_read(path, FILE_BYTES_MAX, &before, &before_length, e);
    if (code == ERR_OK)
        code = file_bytes_read(pending, FILE_BYTES_MAX, &after, &after_length, e);
    if (code == ERR_OK) {
        outcome->unchanged = before_length == after_length && memcmp(before, after, after_length) == 0;
        if (!outcome->unchanged)
            code = keep(path, old.date, before, before_length, outcome->kept, e);
        if (code == ERR_OK && !outcome->unchanged)
            code = file_bytes_write(path, after, after_length, e);
    }
    if (code != ERR_OK)
        outcome->kept[0] = 0;
    if (pending_there)
        unlink(pending);
    free(before);
    free(after);
    return code;
}
