#include "datasets/format/series_path.h"

#include <ctype.h>
#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>

#define RESOURCE_PATH_BYTES_MAX 240

const char *series_path_fault(const char *path)
{
    const char *part = path;
    if (path[0] == 0)
        return "is empty";
    if (path[0] == '/')
        return "is absolute";
    if (strlen(path) > RESOURCE_PATH_BYTES_MAX)
        return "is too long";
    for (const char *p = path; *p != 0; p++) {
        if (*p == '\\')
            return "has a backslash";
        if (*p == ':')
            return "has a colon; addresses and drives are not allowed";
        /* C1, U+0080 to U+009F, drives a terminal as much as C0 does. */
        if ((unsigned char)*p < 0x20 || *p == 0x7F ||
            ((unsigned char)p[0] == 0xC2 && (unsigned char)p[1] < 0xA0))
            return "has a control character";
    }
    for (;;) {
        size_t length = strcspn(part, "/");
        if (length == 2 && part[0] == '.' && part[1] == '.')
            return "leads out of the folder";
        if (length == 0 || (length == 1 && part[0] == '.'))
            return "has an empty part";
        if (part[length] == 0)
            return NULL;
        part += length + 1;
    }
}

enum err_code series_path_join(const char *folder, const char *path, char *full, struct err *e)
{
    size_t length = strlen(folder);
    bool slash = length > 0 && folder[length - 1] == '/';
    int needed = snprintf(full, SERIES_PATH_MAX, "%s%s%s", folder, slash ? "" : "/", path);
    if (needed < 0 || needed >= SERIES_PATH_MAX)
        return err_set_at(e, ERR_FILE, folder, 0, 0, "the name of the folder is too long");
    return ERR_OK;
}

enum err_code series_path_resolve(const char *folder, const char *path, char *full, struct err *e)
{
    return series_path_resolve_real(folder, NULL, path, full, e);
}

/* Whether it is a regular file, and neither it nor any folder between is a link: then it lies inside, and
 * there is nothing to be resolved. path is the end of full. */
static bool is_plainly_inside(char *full, const char *path)
{
    struct stat status;
    for (char *slash = strchr(full + strlen(full) - strlen(path), '/'); slash != NULL;
         slash = strchr(slash + 1, '/')) {
        bool folder;
        *slash = 0;
        folder = lstat(full, &status) == 0 && S_ISDIR(status.st_mode);
        *slash = '/';
        if (!folder)
            return false;
    }
    return lstat(full, &status) == 0 && S_ISREG(status.st_mode);
}

enum err_code series_path_resolve_real(const char *folder, const char *known, const char *path, char *full,
                                       struct err *e)
{
    char *found_folder = NULL;
    const char *real_folder = known;
    char *real_file = NULL;
    struct stat status;
    size_t length;
    const char *fault = series_path_fault(path);
    enum err_code code = series_path_join(folder, path, full, e);
    if (code != ERR_OK)
        return code;
    if (fault != NULL)
        return err_set_at(e, ERR_FILE, folder, 0, 0, "the path '%.250s' %s", path, fault);
    if (is_plainly_inside(full, path))
        return ERR_OK;
    if (known == NULL)
        real_folder = found_folder = realpath(folder, NULL);
    if (real_folder == NULL)
        return err_set_at(e, ERR_FILE, folder, 0, 0, "cannot be opened: %s", strerror(errno));
    real_file = realpath(full, NULL);
    if (real_file == NULL) {
        code = err_set_at(e, ERR_FILE, full, 0, 0, "%s", errno == ENOENT ? "is missing" : strerror(errno));
        goto out;
    }
    length = strlen(real_folder);
    if (strcmp(real_folder, "/") != 0 &&
        (strncmp(real_file, real_folder, length) != 0 || real_file[length] != '/'))
        code = err_set_at(e, ERR_FILE, full, 0, 0, "is a link that leaves the folder");
    else if (stat(real_file, &status) != 0 || !S_ISREG(status.st_mode))
        code = err_set_at(e, ERR_FILE, full, 0, 0, "is not a regular file");
out:
    free(real_file);
    free(found_folder);
    return code;
}

int series_path_run_file(const char *path, const char **ending)
{
    static const char prefix[] = "runs/";
    const char *digits = path + sizeof prefix - 1;
    if (strncmp(path, prefix, sizeof prefix - 1) != 0)
        return 0;
    for (int i = 0; i < 4; i++) {
        if (!isdigit((unsigned char)digits[i]))
            return 0;
    }
    if (digits[4] != '.')
        return 0;
    *ending = digits + 5;
    return (digits[0] - '0') * 1000 + (digits[1] - '0') * 100 + (digits[2] - '0') * 10 + digits[3] - '0';
}

int series_path_run_number(const char *path, const char *ending)
{
    const char *found;
    int number = series_path_run_file(path, &found);
    return number != 0 && strcmp(found, ending) == 0 ? number : 0;
}

void series_path_of_run(int number, const char *ending, char *path)
{
    snprintf(path, 32, "runs/%04u.%.15s", (unsigned)number % 10000, ending);
}
