/* The making half of series.h. A program that is killed while it makes a series leaves a folder with some of
 * runs/, plan.yaml and calibration.json, in that order, and perhaps a temporary name: never part of a file
 * under its own name. The same plan and calibration go on from each of these. */
#include "datasets/format/series.h"

#include "datasets/format/descriptor.h"
#include "datasets/format/file_bytes.h"
#include "datasets/format/series_path.h"

#include <dirent.h>
#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/file.h>
#include <sys/stat.h>
#include <unistd.h>

#define COPIED_BYTES_MAX (256 * 1024)

enum file { PLAN, CALIBRATION, FILES };
static const char *const NAMES[FILES] = {"plan.yaml", "calibration.json"};

struct making {
    const char *folder;
    char *text[FILES]; /* what the files are to hold */
    size_t length[FILES];
    bool folder_is_there, runs_is_there, file_is_there[FILES]; /* from before */
    int lock;
};

static bool is_left_over(const char *name)
{
    return file_bytes_is_temporary(name, DESCRIPTOR_NAME) || file_bytes_is_temporary(name, NAMES[PLAN]) ||
           file_bytes_is_temporary(name, NAMES[CALIBRATION]);
}

static bool is_empty_folder(const char *path)
{
    const struct dirent *entry;
    size_t entries = 0;
    DIR *listing = opendir(path);
    while (listing != NULL && (entry = readdir(listing)) != NULL)
        entries += strcmp(entry->d_name, ".") != 0 && strcmp(entry->d_name, "..") != 0;
    if (listing != NULL)
        closedir(listing);
    return listing != NULL && entries == 0;
}

/* The file of that name is there and holds what it is to hold. */
static bool is_the_same(const struct making *m, enum file file, const char *path)
{
    char *bytes;
    size_t length;
    bool same;
    if (file_bytes_read(path, COPIED_BYTES_MAX, &bytes, &length, NULL) != ERR_OK)
        return false;
    same = length == m->length[file] && memcmp(bytes, m->text[file], length) == 0;
    free(bytes);
    return same;
}

/* One entry of the folder; ERR_USAGE unless it is what a killed program leaves of this very series. With
 * take_away, temporary names go. */
static enum err_code look_at(struct making *m, const char *name, bool take_away, struct err *e)
{
    char full[SERIES_PATH_MAX];
    struct stat status;
    enum err_code code = series_path_join(m->folder, name, full, e);
    if (code != ERR_OK)
        return code;
    if (strcmp(name, DESCRIPTOR_NAME) == 0)
        return err_set_at(e, ERR_USAGE, m->folder, 0, 0,
                          "already holds a series; go on with it by run --resume, or choose another folder "
                          "(nothing was changed)");
    if (is_left_over(name) && lstat(full, &status) == 0 && S_ISREG(status.st_mode)) {
        if (take_away && unlink(full) != 0)
            return err_set_at(e, ERR_SYSTEM, full, 0, 0, "cannot be taken away: %s", strerror(errno));
        return ERR_OK;
    }
    if (strcmp(name, "runs") == 0 && is_empty_folder(full)) {
        m->runs_is_there = true;
        return ERR_OK;
    }
    for (enum file i = PLAN; i < FILES; i++) {
        if (strcmp(name, NAMES[i]) != 0)
            continue;
        m->file_is_there[i] = is_the_same(m, i, full);
        if (m->file_is_there[i])
            return ERR_OK;
        return err_set_at(e, ERR_USAGE, m->folder, 0, 0,
                          "holds the beginning of a series with another %s; choose another folder (nothing "
                          "was changed)",
                          NAMES[i]);
    }
    return err_set_at(e, ERR_USAGE, m->folder, 0, 0,
                      "is not empty; choose another folder (nothing was changed)");
}

/* What is there of the series; *entries receives how many. A folder that holds a series is named as that
 * before anything else in it is complained of. */
static enum err_code look(struct making *m, bool take_away, size_t *entries, struct err *e)
{
    const struct dirent *entry;
    enum err_code code = ERR_OK;
    DIR *listing = opendir(m->folder);
    *entries = 0;
    m->folder_is_there = listing != NULL;
    if (listing == NULL && errno == ENOENT)
        return ERR_OK;
    if (listing == NULL)
        return err_set_at(e, ERR_USAGE, m->folder, 0, 0, "cannot be used for a series: %s", strerror(errno));
    while ((entry = readdir(listing)) != NULL) {
        bool names_it = strcmp(entry->d_name, DESCRIPTOR_NAME) == 0;
        if (strcmp(entry->d_name, ".") == 0 || strcmp(entry->d_name, "..") == 0)
            continue;
        ++*entries;
        if (code == ERR_OK || names_it)
            code = look_at(m, entry->d_name, take_away, e);
        if (names_it)
            break;
    }
    closedir(listing);
    return code;
}

static enum err_code make_folder(const char *path, struct err *e)
{
    if (mkdir(path, 0755) == 0)
        return ERR_OK;
    /* A parent that is missing or no folder is a slip in the call; the rest is up to the system. */
    return err_set_at(e, errno == ENOENT || errno == ENOTDIR ? ERR_USAGE : ERR_SYSTEM, path, 0, 0,
                      "the folder cannot be made: %s", strerror(errno));
}

/* Two that make the same series at once would take each other's temporary files for left over. */
static enum err_code lock_folder(struct making *m, struct err *e)
{
    m->lock = open(m->folder, O_RDONLY | O_DIRECTORY | O_CLOEXEC);
    if (m->lock < 0)
        return err_set_at(e, ERR_SYSTEM, m->folder, 0, 0, "cannot be opened: %s", strerror(errno));
    /* Some network file systems know no locks; there nobody is kept out. */
    if (flock(m->lock, LOCK_EX | LOCK_NB) != 0 && errno == EWOULDBLOCK)
        return err_set_at(e, ERR_USAGE, m->folder, 0, 0, "another capture is writing this series");
    return ERR_OK;
}

/* Take away what this call made before it failed, and nothing else. */
static void take_back(const struct making *m)
{
    char full[SERIES_PATH_MAX];
    if (series_path_join(m->folder, DESCRIPTOR_NAME, full, NULL) == ERR_OK)
        unlink(full);
    for (enum file i = PLAN; i < FILES; i++) {
        if (!m->file_is_there[i] && series_path_join(m->folder, NAMES[i], full, NULL) == ERR_OK)
            unlink(full);
    }
    if (!m->runs_is_there && series_path_join(m->folder, "runs", full, NULL) == ERR_OK)
        rmdir(full);
}

static enum err_code fill(struct making *m, const struct plan *plan, struct err *e)
{
    char full[SERIES_PATH_MAX];
    enum err_code code = series_path_join(m->folder, "runs", full, e);
    if (code == ERR_OK && !m->runs_is_there)
        code = make_folder(full, e);
    for (enum file i = PLAN; code == ERR_OK && i < FILES; i++) {
        if (m->file_is_there[i])
            continue;
        code = series_path_join(m->folder, NAMES[i], full, e);
        if (code == ERR_OK)
            code = file_bytes_write(full, m->text[i], m->length[i], e);
    }
    return code != ERR_OK ? code : series_write_package(m->folder, plan, e);
}

static enum err_code make(struct making *m, const struct plan *plan, struct err *e)
{
    bool was_there;
    size_t entries;
    enum err_code code = look(m, false, &entries, e);
    was_there = m->folder_is_there;
    if (code == ERR_OK && !was_there)
        code = make_folder(m->folder, e);
    if (code != ERR_OK)
        return code;
    /* The folder's own name has to last as long as what is in it; where its parent may not be read, the rest
     * is durable all the same as far as the file system sees to that. */
    if (!was_there)
        file_bytes_sync_folder(m->folder, NULL);
    code = lock_folder(m, e);
    /* Once more, now that nobody else changes it. */
    if (code == ERR_OK && (code = look(m, true, &entries, e)) == ERR_OK) {
        code = fill(m, plan, e);
        if (code != ERR_OK)
            take_back(m);
    }
    if (code != ERR_OK && !was_there)
        rmdir(m->folder); /* only when it is empty */
    return code;
}

static enum err_code begin(struct making *m, const char *folder, const char *plan_path,
                           const char *calibration_path, struct err *e)
{
    enum err_code code;
    *m = (struct making){.folder = folder, .lock = -1};
    code = file_bytes_read(plan_path, COPIED_BYTES_MAX, &m->text[PLAN], &m->length[PLAN], e);
    if (code == ERR_OK)
        code = file_bytes_read(calibration_path, COPIED_BYTES_MAX, &m->text[CALIBRATION],
                               &m->length[CALIBRATION], e);
    return code;
}

static void end(struct making *m)
{
    if (m->lock >= 0)
        close(m->lock);
    for (enum file i = PLAN; i < FILES; i++)
        free(m->text[i]);
}

enum err_code series_may_create(const char *folder, const char *plan_path, const char *calibration_path,
                                bool *goes_on, struct err *e)
{
    struct making m;
    size_t entries = 0;
    enum err_code code = begin(&m, folder, plan_path, calibration_path, e);
    if (code == ERR_OK)
        code = look(&m, false, &entries, e);
    *goes_on = code == ERR_OK && entries > 0;
    end(&m);
    return code;
}

enum err_code series_create(const char *folder, const char *plan_path, const struct plan *plan,
                            const char *calibration_path, struct err *e)
{
    struct making m;
    struct calibration calibration;
    enum err_code code = begin(&m, folder, plan_path, calibration_path, e);
    if (code == ERR_OK)
        code = calibration_read(calibration_path, &calibration, e);
    if (code == ERR_OK)
        code = make(&m, plan, e);
    end(&m);
    return code;
}
