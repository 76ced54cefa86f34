#include "analyze/benches_section.h"

#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>

const char *const BENCHES_FACTOR_NAMES[BENCHES_FACTORS + 1] = {
    "feeder", "operator", "feeder by operator", "setting up again", "refit", "repeat"};

void benches_section_refuse(struct benches_section *section, const char *format, ...)
{
    va_list arguments;
    if (section->why_not[0] != 0)
        return;
    va_start(arguments, format);
    vsnprintf(section->why_not, sizeof section->why_not, format, arguments);
    va_end(arguments);
}

enum err_code benches_section_settle(enum err_code code, const struct err *why,
                                     struct benches_section *section, struct err *e)
{
    section->answered = code == ERR_OK;
    if (code == ERR_OK)
        return ERR_OK;
    if (code != ERR_NO_ANSWER) {
        if (e != NULL)
            *e = *why;
        return code;
    }
    benches_section_refuse(section, "%.300s", why->text);
    return ERR_OK;
}

void benches_section_free(struct benches_section *section)
{
    free(section->names);
    free(section->consistency);
    free(section->numbers);
    free(section->bench_of);
}

const char *benches_section_source(const struct benches_section *section, size_t i)
{
    if (i < section->factor_count)
        return BENCHES_FACTOR_NAMES[section->factors[i]];
    return section->refits_alone ? "refit and repeat" : BENCHES_FACTOR_NAMES[BENCHES_FACTORS];
}
