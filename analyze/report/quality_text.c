#include "analyze/report/quality_text.h"

#include "analyze/data_quality.h"
#include "analyze/report/text_format.h"

enum err_code quality_text_write(const struct session *session, FILE *out, struct err *e)
{
    struct data_quality_sums sums;
    enum err_code code = data_quality_sum_up(session, &sums, e);
    if (code != ERR_OK)
        return code;
    const struct data_quality_sum *sum = &sums.session;
    if (sum->runs > 0)
        fprintf(out, "\ndata quality: good in %zu of %zu runs\n", sum->good, sum->runs);
    for (int k = 0; sum->runs > 0 && k < DATA_QUALITY_ASPECTS; k++) {
        const struct run_result *worst = &session->runs[sum->worst[k]];
        size_t odd = sum->count[k][DATA_QUALITY_USABLE] + sum->count[k][DATA_QUALITY_SPOILS];
        struct data_quality quality[DATA_QUALITY_ASPECTS];
        char run[32] = "", clean[512];
        if (odd == 0)
            continue;
        data_quality_of_run(worst, session->series[worst->series], quality);
        if (session->series_count > 1)
            snprintf(run, sizeof run, "%zu/", worst->series + 1);
        fprintf(out, "%s: %zu run%s not good, the worst is run %s%d:\n  %s\n", DATA_QUALITY_KINDS[k].label,
                odd, odd == 1 ? "" : "s", run, worst->record->number,
                text_clean(quality[k].text, clean, sizeof clean));
    }
    data_quality_free(&sums);
    return ERR_OK;
}
