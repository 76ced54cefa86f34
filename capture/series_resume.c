#include "capture/series_resume.h"

#include "datasets/format/descriptor.h"
#include "datasets/format/series.h"
#include "datasets/format/series_path.h"

#include <errno.h>
#include <fcntl.h>
#include <string.h>
#include <sys/file.h>
#include <unistd.h>

enum err_code series_resume_lock(const char *folder, int *lock, struct err *e)
{
    *lock = open(folder, O_RDONLY | O_DIRECTORY | O_CLOEXEC);
    if (*lock < 0)
        return err_set_at(e, errno == ENOENT || errno == ENOTDIR ? ERR_USAGE : ERR_FILE, folder, 0, 0,
                          "no series can be resumed here: %s%s", strerror(errno),
                          errno == ENOENT ? "; without --resume one is begun" : "");
    /* Some network file systems know no locks; there nobody is kept out. */
    if (flock(*lock, LOCK_EX | LOCK_NB) == 0 || errno != EWOULDBLOCK)
        return ERR_OK;
    close(*lock);
    *lock = -1;
    return err_set_at(e, ERR_USAGE, folder, 0, 0, "another capture is writing this series");
}

static const char *const NAMES[] = {"plan.yaml", "calibration.json"};
#define NAME_COUNT (sizeof NAMES / sizeof NAMES[0])

static bool is_there(const char *folder, const char *name)
{
    char path[SERIES_PATH_MAX];
    return series_path_join(folder, name, path, NULL) == ERR_OK && access(path, F_OK) == 0;
}

bool series_resume_is_bare(const char *folder)
{
    bool whole = true;
    for (size_t i = 0; i < NAME_COUNT; i++)
        whole = whole && is_there(folder, NAMES[i]);
    return !whole && is_there(folder, ".") && !is_there(folder, DESCRIPTOR_NAME);
}

enum err_code series_resume_check_folder(const char *folder, struct err *e)
{
    for (size_t i = 0; i < NAME_COUNT; i++) {
        if (is_there(folder, NAMES[i]))
            continue;
        if (!series_resume_is_bare(folder))
            return err_set_at(e, ERR_FILE, folder, 0, 0, "has no %s: put it back to go on with this series",
                              NAMES[i]);
        return err_set_at(e, ERR_FILE, folder, 0, 0,
                          "has no %s: there is no series here, or it was broken off while it was made; to "
                          "begin it here, name its plan too",
                          NAMES[i]);
    }
    return ERR_OK;
}

enum err_code series_resume_check_plan(const char *folder, const char *plan_path, struct err *e)
{
    char own_path[SERIES_PATH_MAX];
    char own[72] = "";
    char given[72] = "";
    enum err_code code = series_path_join(folder, "plan.yaml", own_path, e);
    if (code == ERR_OK)
        code = series_hash_file(own_path, own, e);
    if (code == ERR_OK)
        code = series_hash_file(plan_path, given, e);
    if (code == ERR_OK && strcmp(own, given) != 0)
        code =
            err_set_at(e, ERR_USAGE, plan_path, 0, 0,
                       "is not the plan that %s was begun with; leave it out to go on with that one", folder);
    return code;
}

size_t series_resume_rest(const struct series_progress *progress, struct plan_run *order, size_t count)
{
    size_t rest = 0;
    for (size_t i = 0; i < count; i++) {
        if (!progress->finished[order[i].number])
            order[rest++] = order[i];
    }
    return rest;
}
