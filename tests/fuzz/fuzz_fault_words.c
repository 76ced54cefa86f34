/* The faults that a simulated rig is told to have, as words. */
#include "rig/simulator/fault_words.h"
#include "tests/fuzz/fuzz.h"

#include <assert.h>
#include <inttypes.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* The settings written down as words, with all digits, and read again are the same. */
static void check_written(const struct fault_plan *plan)
{
    static struct fault_plan again;
    char *text;
    size_t length;
    FILE *file = open_memstream(&text, &length);
    struct err e = {0};
    assert(file != NULL);
    fprintf(file, "clock-start=%" PRId64 ",clock-ppm=%.17g%s", plan->clock_start_us, plan->clock_ppm,
            plan->limits_ignored ? ",limits-ignored" : "");
    for (int i = 0; i < FAULT_SHARES; i++)
        fprintf(file, ",%s=%.17g", FAULT_SHARE_WORDS[i], plan->share[i]);
    fclose(file);
    memset(&again, 0, sizeof again);
    assert(fault_words_read(text, &again, &e) == ERR_OK);
    assert(again.clock_start_us == plan->clock_start_us && again.limits_ignored == plan->limits_ignored);
    assert(!(again.clock_ppm < plan->clock_ppm) && !(again.clock_ppm > plan->clock_ppm));
    assert(memcmp(again.share, plan->share, sizeof plan->share) == 0);
    free(text);
}

int LLVMFuzzerTestOneInput(const uint8_t *bytes, size_t length)
{
    static struct fault_plan plan;
    struct err e = {0};
    int under_way[FAULT_TIMED] = {0};
    char *text = strndup((const char *)bytes, length);
    enum err_code code;
    assert(text != NULL);
    memset(&plan, 0, sizeof plan);
    code = fault_words_read(text, &plan, &e);
    free(text);
    fuzz_check_error(code, &e, 1u << ERR_USAGE);
    if (code != ERR_OK)
        return 0;
    assert(plan.moment_count <= FAULT_MOMENTS_MAX);
    for (size_t i = 0; i < plan.moment_count; i++) {
        const struct fault_moment *m = &plan.moments[i];
        assert((unsigned)m->fault < FAULT_TIMED && m->after_us >= 0);
        /* In the order of time, and none ends that has not begun. */
        assert(i == 0 || plan.moments[i - 1].after_us <= m->after_us);
        under_way[m->fault] += m->begins ? 1 : -1;
        assert(under_way[m->fault] >= 0);
    }
    for (int i = 0; i < FAULT_SHARES; i++)
        assert(plan.share[i] >= 0 && plan.share[i] <= 1);
    assert(plan.clock_start_us >= 0 && fabs(plan.clock_ppm) <= 1000);
    check_written(&plan);
    return 0;
}
