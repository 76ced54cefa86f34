#include "capture/series_resume.h"

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
                          "no series can be resumed here: %s", strerror(errno));
    /* Some network file systems know no locks; there nobody is kept out. */
    if (flock(*lock, LOCK_EX | LOCK_NB) == 0 || errno != EWOULDBLOCK)
        return ERR_OK;
    close(*lock);
    *lock = -1;
    return err_set_at(e, ERR_USAGE, folder, 0, 0, "another capture is writing this series");
}

enum err_code series_resume_check_folder(const char *folder, struct err *e)
{
    static const char *const NAMES[] = {"plan.yaml", "calibration.json"};
    char path[SERIES_PATH_MAX];
    for (size_t i = 0; i < sizeof NAMES / sizeof NAMES[0]; i++) {
        enum err_code code = series_path_join(folder, NAMES[i], path, e);
        if (code != ERR_OK)
            return code;
        if (access(path, F_OK) != 0)
            return err_set_at(
                e, ERR_FILE, folder, 0, 0,
                "has no %s: there is no series here, or it was broken off before its first run; "
                "begin it anew in another folder",
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
