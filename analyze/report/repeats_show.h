/* What was worked out of repeats, as text and JSON. Shared by the files that write one each. */
#ifndef ANALYZE_REPORT_REPEATS_SHOW_H
#define ANALYZE_REPORT_REPEATS_SHOW_H

#include "analyze/repeats.h"

#include <stdio.h>

struct repeats_answer {
    const struct session *session; /* NULL: of a stated scatter */
    const char *quantity;          /* of the session's pushes: "stall_force_n" */
    struct repeats_aim aim;
    const struct repeats_plan *plans;
    size_t plan_count;
    struct repeats_effort effort;
};

/* width: columns that no line is wider than; 0: any. ERR_MEMORY. */
enum err_code repeats_text_write(const struct repeats_answer *answer, int width, FILE *out, struct err *e);
enum err_code repeats_json_write(const struct repeats_answer *answer, FILE *out, struct err *e);

#endif
