#include "analyze/calibration_choice.h"

#include <string.h>

static size_t without_slashes(const char *path, size_t length)
{
    while (length > 1 && path[length - 1] == '/')
        length--;
    return length;
}

/* The series that the part of a word before one of its "=" names; count: none. *file: what stands behind it.
 */
static size_t find_series(const char *word, const char *const *series, size_t count, const char **file)
{
    for (const char *sign = strchr(word, '='); sign != NULL; sign = strchr(sign + 1, '=')) {
        size_t length = without_slashes(word, (size_t)(sign - word));
        for (size_t i = 0; i < count; i++) {
            if (without_slashes(series[i], strlen(series[i])) == length &&
                memcmp(series[i], word, length) == 0) {
                *file = sign + 1;
                return i;
            }
        }
    }
    *file = word;
    return count;
}

enum err_code calibration_choice(const char *const *words, size_t word_count, const char *const *series,
                                 size_t count, const char **files, struct err *e)
{
    const char *for_all = NULL;
    if (word_count > 0 && count == 0)
        return err_set(e, ERR_USAGE, "--calibration: no series is given that '%.200s' could be for",
                       words[0]);
    for (size_t i = 0; i < count; i++)
        files[i] = NULL;
    for (size_t w = 0; w < word_count; w++) {
        const char *file;
        size_t i = find_series(words[w], series, count, &file);
        const char **chosen = i < count ? &files[i] : &for_all;
        if (i == count && strchr(file, '=') != NULL)
            return err_set(e, ERR_USAGE,
                           "--calibration: what stands before '=' in '%.200s' is no series given here",
                           words[w]);
        if (*file == 0)
            return err_set(e, ERR_USAGE, "--calibration: '%.200s' names no file; see --help", words[w]);
        if (*chosen != NULL)
            return err_set(e, ERR_USAGE, "--calibration: '%.200s' is a second one for %.200s", words[w],
                           i < count ? series[i] : "every series");
        *chosen = file;
    }
    for (size_t i = 0; i < count; i++)
        files[i] = files[i] == NULL ? for_all : files[i];
    return ERR_OK;
}
