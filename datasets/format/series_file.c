#include "datasets/format/series_file.h"

#include "datasets/format/file_bytes.h"
#include "datasets/format/series_path.h"
#include "datasets/format/series_recover.h"

#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

enum err_code series_file_path(const char *folder, int number, const char *ending, char *full, struct err *e)
{
    char path[32];
    series_path_of_run(number, ending, path);
    return series_path_join(folder, path, full, e);
}

enum err_code series_file_remove(const char *folder, int number, const char *ending, struct err *e)
{
    char full[SERIES_PATH_MAX];
    enum err_code code = series_file_path(folder, number, ending, full, e);
    if (code == ERR_OK && unlink(full) != 0 && errno != ENOENT)
        code = err_set_at(e, ERR_SYSTEM, full, 0, 0, "cannot be taken away: %s", strerror(errno));
    return code;
}

enum err_code series_file_sync_rows(const char *path, struct err *e)
{
    enum err_code code = ERR_OK;
    int fd = open(path, O_RDONLY | O_NOFOLLOW | O_NONBLOCK | O_CLOEXEC);
    if (fd < 0 || fsync(fd) != 0)
        code = err_set_at(e, ERR_SYSTEM, path, 0, 0, "cannot be made durable: %s", strerror(errno));
    if (fd >= 0)
        close(fd);
    return code;
}

static enum err_code cut(const char *path, int64_t bytes, struct err *e)
{
    enum err_code code = ERR_OK;
    int fd = open(path, O_WRONLY | O_NOFOLLOW | O_NONBLOCK | O_CLOEXEC);
    if (fd < 0 || ftruncate(fd, bytes) != 0 || fsync(fd) != 0)
        code =
            err_set_at(e, ERR_SYSTEM, path, 0, 0, "cannot be cut to its last whole row: %s", strerror(errno));
    if (fd >= 0)
        close(fd);
    return code;
}

enum err_code series_file_rows(const char *folder, int number, int64_t bytes, struct err *e)
{
    char part[SERIES_PATH_MAX];
    char csv[SERIES_PATH_MAX];
    enum err_code code = series_file_path(folder, number, "csv.part", part, e);
    if (code == ERR_OK)
        code = series_file_path(folder, number, "csv", csv, e);
    if (code == ERR_OK && bytes >= 0)
        code = cut(part, bytes, e);
    if (code == ERR_OK)
        code = file_bytes_rename_new(part, csv, e);
    return code != ERR_OK ? code : series_file_remove(folder, number, "json.part", e);
}

enum err_code series_file_run(const char *folder, const struct run_record *r, struct err *e)
{
    static const char *const finals[] = {"csv", "json"};
    char full[SERIES_PATH_MAX];
    struct stat status;
    enum err_code code = series_file_path(folder, r->number, "csv.part", full, e);
    if (code == ERR_OK && (lstat(full, &status) != 0 || !S_ISREG(status.st_mode)))
        code = err_set_at(e, ERR_SYSTEM, full, 0, 0, "is missing, or no regular file");
    for (size_t i = 0; code == ERR_OK && i < 2; i++) {
        code = series_file_path(folder, r->number, finals[i], full, e);
        if (code == ERR_OK && lstat(full, &status) == 0)
            code = err_set_at(e, ERR_SYSTEM, full, 0, 0, "is there already");
    }
    /* full now is the name of the record. */
    if (code == ERR_OK)
        code = run_record_write(full, r, e);
    return code != ERR_OK ? code : series_file_rows(folder, r->number, -1, e);
}
