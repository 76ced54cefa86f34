/* Tables of cases for live comparisons with another program, and the numbers drawn for them. */
#ifndef TESTS_REFERENCE_CASE_TABLES_H
#define TESTS_REFERENCE_CASE_TABLES_H

#include "rig/base/err.h"
#include "rig/model/model.h"

#include <stdbool.h>
#include <stdio.h>

/* Open FOLDER/NAME.csv for writing and begin it with its columns; NULL, with the reason printed, when it
 * cannot be. */
static inline FILE *case_open_table(const char *folder, const char *name, const char *columns)
{
    char path[1024];
    FILE *file;
    snprintf(path, sizeof path, "%s/%s.csv", folder, name);
    file = fopen(path, "w");
    if (file == NULL)
        perror(path);
    else
        fprintf(file, "%s\n", columns);
    return file;
}

static inline bool case_close_table(FILE *file)
{
    return file != NULL && fclose(file) == 0;
}

/* Whether there was an answer; prints why not. */
static inline bool case_answered(const char *what, enum err_code code, const struct err *e)
{
    if (code != ERR_OK)
        fprintf(stderr, "%s: %s\n", what, e->text);
    return code == ERR_OK;
}

static inline double case_between(struct model_random *r, double low, double high)
{
    return low + (high - low) * model_random_uniform(r);
}

#endif
