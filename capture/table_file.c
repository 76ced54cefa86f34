#include "capture/table_file.h"

#include "datasets/format/json_strict.h"

#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#define ROW_MAX 512

struct table_file {
    char path[480];
    char json[484];
    int fd;
    off_t bytes; /* whole rows in the file */
    size_t rows;
};

static enum err_code refuse(const char *path, const char *text, struct err *e)
{
    return err_set_at(e, ERR_USAGE, path, 0, 0, "%s", text);
}

static bool exists(const char *path)
{
    struct stat status;
    return lstat(path, &status) == 0;
}

static enum err_code cannot(const char *path, int error, struct err *e)
{
    return err_set_at(e, ERR_SYSTEM, path, 0, 0, "cannot write: %s", strerror(error));
}

/* A new name is durable only once its folder is. */
static enum err_code sync_folder(const char *path, struct err *e)
{
    char folder[480];
    const char *slash = strrchr(path, '/');
    int fd;
    int error = 0;
    snprintf(folder, sizeof folder, "%.*s", slash == NULL ? 1 : (int)(slash - path) + 1,
             slash == NULL ? "." : path);
    fd = open(folder, O_RDONLY | O_DIRECTORY | O_CLOEXEC);
    if (fd < 0)
        return cannot(folder, errno, e);
    /* Some file systems cannot sync a folder and say EINVAL; there is nothing more to be done there. */
    if (fsync(fd) != 0 && errno != EINVAL)
        error = errno;
    close(fd);
    return error == 0 ? ERR_OK : cannot(folder, error, e);
}

static enum err_code append_bytes(struct table_file *t, const char *text, size_t length, struct err *e)
{
    size_t written = 0;
    int error = 0;
    while (error == 0 && written < length) {
        ssize_t n = write(t->fd, text + written, length - written);
        if (n > 0)
            written += (size_t)n;
        else if (n == 0)
            error = ENOSPC;
        else if (errno != EINTR)
            error = errno;
    }
    if (error == 0 && fdatasync(t->fd) != 0)
        error = errno;
    if (error == 0) {
        t->bytes += (off_t)length;
        return ERR_OK;
    }
    if (ftruncate(t->fd, t->bytes) != 0)
        return err_set_at(e, ERR_SYSTEM, t->path, 0, 0, "cannot write: %s; its last row may be torn",
                          strerror(error));
    return cannot(t->path, error, e);
}

enum err_code table_file_append(struct table_file *t, const char *row, struct err *e)
{
    char line[ROW_MAX];
    int length = snprintf(line, sizeof line, "%s\n", row);
    enum err_code code;
    if (length < 0 || length >= (int)sizeof line)
        return err_set_at(e, ERR_CALLER, t->path, 0, 0, "a row of more than %d bytes", ROW_MAX);
    code = append_bytes(t, line, (size_t)length, e);
    if (code == ERR_OK)
        t->rows++;
    return code;
}

static enum err_code create(struct table_file *t, const char *header, struct err *e)
{
    enum err_code code;
    t->fd = open(t->path, O_WRONLY | O_CREAT | O_EXCL | O_APPEND | O_CLOEXEC, 0666);
    if (t->fd < 0 && errno == ENOENT)
        return refuse(t->path, "the folder of this file does not exist", e);
    if (t->fd < 0)
        return cannot(t->path, errno, e);
    code = table_file_append(t, header, e);
    t->rows = 0;
    return code == ERR_OK ? sync_folder(t->path, e) : code;
}

enum err_code table_file_create(const char *path, const char *header, struct table_file **table,
                                struct err *e)
{
    size_t length = strlen(path);
    struct table_file *t;
    enum err_code code;
    *table = NULL;
    if (length < 5 || strcmp(path + length - 4, ".csv") != 0 || path[length - 5] == '/')
        return refuse(path, "the name of this file must end in .csv", e);
    if (length >= sizeof t->path)
        return refuse(path, "the name of this file is too long", e);
    t = calloc(1, sizeof *t);
    if (t == NULL)
        return err_set(e, ERR_MEMORY, "out of memory");
    t->fd = -1;
    snprintf(t->path, sizeof t->path, "%s", path);
    snprintf(t->json, sizeof t->json, "%.*s.json", (int)length - 4, path);
    if (exists(t->path))
        code = refuse(t->path, "exists already; choose another name (nothing was changed)", e);
    else if (exists(t->json))
        code = refuse(t->json, "exists already; choose another name (nothing was changed)", e);
    else
        code = create(t, header, e);
    if (code != ERR_OK) {
        table_file_close(t);
        return code;
    }
    *table = t;
    return ERR_OK;
}

enum err_code table_file_describe(struct table_file *t, json_t *root, struct err *e)
{
    enum err_code code = json_strict_write(t->json, root, e);
    json_decref(root);
    return code;
}

size_t table_file_rows(const struct table_file *t)
{
    return t->rows;
}

void table_file_close(struct table_file *t)
{
    if (t == NULL)
        return;
    if (t->fd >= 0) {
        close(t->fd);
        if (t->rows == 0) {
            unlink(t->path);
            unlink(t->json);
        }
    }
    free(t);
}
