/* What the check of series came to, as text and JSON. Shared by the files that gather and write it. */
#ifndef ANALYZE_REPORT_VERIFY_SHOW_H
#define ANALYZE_REPORT_VERIFY_SHOW_H

#include "rig/base/err.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>

/* A struct err with no more room than it takes. */
struct verify_finding {
    enum err_code code;
    int64_t line, column;
    char *file, *text, *source;
};

struct verify_series {
    const char *folder;
    enum err_code code; /* ERR_OK: as its package says */
    char hash[72];      /* of the package; "" when there is none */
    size_t files, runs; /* listed files that were looked at, and CSVs of runs among them */
    int64_t bytes;      /* of those that are there */
    size_t wrong_runs;  /* runs that something was found of */
    size_t wrong_files; /* other files */
    struct verify_finding *findings;
    size_t count, room;
};

struct verify_answer {
    struct verify_series *series;
    size_t count;
};

/* width: columns of a line; 0: any. ERR_MEMORY. */
enum err_code verify_text_write(const struct verify_answer *answer, int width, FILE *out, struct err *e);
enum err_code verify_json_write(const struct verify_answer *answer, FILE *out, struct err *e);

#endif
