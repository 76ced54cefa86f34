#include "analyze/report/repeats_command.h"

#include "analyze/repeats_scatter.h"
#include "analyze/report/repeats_show.h"
#include "rig/base/number.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#define POWER_PERCENT 80 /* common practice, no source */
#define LEVEL_PERCENT 5
/* Past these a plan asks for what no series can give. */
#define POWER_PERCENT_MAX 99.99
#define LEVEL_PERCENT_MIN 0.001
#define LEVEL_PERCENT_MAX 50
#define VALUE_MIN         1e-12
#define VALUE_MAX         1e12
#define SPEED_MIN_MM_S    1e-6
#define SPEED_MAX_MM_S    1e6

struct work {
    const struct repeats_request *request;
    struct repeats_aim aim;
    double scatter, speed_mm_s; /* NAN: not given */
    const char *quantity;
    struct session *session;
    struct repeats_plan *plans;
    size_t plan_count;
};

/* A number that was given into *value, which else stays as it is. */
static enum err_code read_number(const char *text, double low, double high, const char *option,
                                 const char *unit, double *value, struct err *e)
{
    return text == NULL ? ERR_OK : number_read_double(text, low, high, option, unit, value, e);
}

static enum err_code read_design(struct work *w, struct err *e)
{
    const char *design = w->request->design;
    int64_t feeders = 0;
    w->aim.design = REPEATS_AS_RUN;
    if (design != NULL && strcmp(design, "blocks") == 0)
        w->aim.design = REPEATS_BLOCKS;
    else if (design != NULL && strcmp(design, "groups") == 0)
        w->aim.design = REPEATS_GROUPS;
    else if (design != NULL)
        return err_set(e, ERR_USAGE, "--design: '%.60s' is neither blocks nor groups; see --help", design);
    if (w->request->feeders != NULL) {
        enum err_code code =
            number_read_int64(w->request->feeders, 2, ANOVA_GROUPS_MAX, "--feeders", "", &feeders, e);
        if (code != ERR_OK)
            return code;
    }
    w->aim.feeders = (int)feeders;
    return ERR_OK;
}

/* Scatter or series, and what goes with which. */
static enum err_code check_together(const struct repeats_request *r, struct err *e)
{
    const char *stray = r->quantity != NULL ? "--quantity" : r->speed != NULL ? "--speed" : NULL;
    if (r->series_count > 0)
        return r->scatter == NULL
                   ? ERR_OK
                   : err_set(e, ERR_USAGE,
                             "--scatter: with series the scatter comes from them; leave out one "
                             "or the other; see --help");
    if (r->scatter == NULL)
        return err_set(e, ERR_USAGE, "repeats: SERIES or --scatter is missing; see --help");
    if (r->session.matter_count > 0)
        stray = "--matters";
    for (size_t i = 0; i < CONDITION_COUNT; i++) {
        if (r->session.accept[i])
            stray = "--accept";
    }
    if (stray != NULL)
        return err_set(e, ERR_USAGE, "%s: belongs to series, but none is given; see --help", stray);
    if (r->difference == NULL)
        return err_set(e, ERR_USAGE,
                       "--difference is missing: a stated scatter does not tell what is to be "
                       "found; see --help");
    return ERR_OK;
}

static enum err_code read_request(struct work *w, struct err *e)
{
    const struct repeats_request *r = w->request;
    double power = POWER_PERCENT, level = LEVEL_PERCENT;
    enum err_code code = check_together(r, e);
    w->aim.difference = w->scatter = w->speed_mm_s = NAN;
    w->quantity = r->quantity != NULL ? r->quantity : REPEATS_STALL;
    if (code == ERR_OK)
        code = read_number(r->difference, VALUE_MIN, VALUE_MAX, "--difference", "", &w->aim.difference, e);
    if (code == ERR_OK)
        code = read_number(r->power, 1, POWER_PERCENT_MAX, "--power", "%", &power, e);
    if (code == ERR_OK)
        code = read_number(r->level, LEVEL_PERCENT_MIN, LEVEL_PERCENT_MAX, "--level", "%", &level, e);
    if (code == ERR_OK)
        code = read_number(r->scatter, VALUE_MIN, VALUE_MAX, "--scatter", "", &w->scatter, e);
    if (code == ERR_OK)
        code = read_number(r->speed, SPEED_MIN_MM_S, SPEED_MAX_MM_S, "--speed", "mm/s", &w->speed_mm_s, e);
    if (code == ERR_OK)
        code = read_design(w, e);
    if (code == ERR_OK && !(power > level))
        code =
            err_set(e, ERR_USAGE,
                    "--power: %g %% is not above the level, %g %%, with which a difference is claimed even "
                    "where there is none",
                    power, level);
    w->aim.power = power / 100;
    w->aim.level = level / 100;
    return code;
}

static enum err_code work_out(struct work *w, struct err *e)
{
    const struct repeats_request *r = w->request;
    enum err_code code;
    if (r->series_count > 0) {
        code = session_analyse_with(r->series, r->series_count, &r->session, &w->session, e);
        return code != ERR_OK ? code
                              : repeats_from_session(w->session, w->quantity, w->speed_mm_s, &w->aim,
                                                     &w->plans, &w->plan_count, e);
    }
    w->plans = calloc(1, sizeof *w->plans);
    if (w->plans == NULL)
        return err_set(e, ERR_MEMORY, "out of memory");
    w->plan_count = 1;
    return repeats_from_scatter(w->scatter, &w->aim, w->plans, e);
}

/* Status 1 says that a difference is out of reach. */
static enum err_code judge(const struct work *w, struct err *e)
{
    for (size_t i = 0; i < w->plan_count; i++) {
        const struct repeats_plan *p = &w->plans[i];
        if (p->answered && p->difference > 0 && p->find.value == 0)
            return err_set(e, ERR_NO_ANSWER,
                           "to find a difference of %g beside a scatter of %.3g takes more than %d repeats",
                           p->difference, p->scatter.sd, POWER_REPEATS_MAX);
    }
    return ERR_OK;
}

static enum err_code carry_out(struct work *w, FILE *out, struct err *e)
{
    struct repeats_answer answer = {0};
    enum err_code code = read_request(w, e);
    if (code == ERR_OK)
        code = work_out(w, e);
    progress_show_end(w->request->show);
    if (code != ERR_OK)
        return code;
    answer.session = w->session;
    answer.quantity = w->quantity;
    answer.aim = w->aim;
    answer.plans = w->plans;
    answer.plan_count = w->plan_count;
    if (w->session != NULL)
        answer.effort = repeats_effort_of(w->session);
    if (w->request->json)
        code = repeats_json_write(&answer, out, e);
    else
        code = repeats_text_write(&answer, w->request->width, out, e);
    return code == ERR_OK ? judge(w, e) : code;
}

enum err_code repeats_command(const struct repeats_request *request, FILE *out, struct err *e)
{
    struct work w = {.request = request};
    enum err_code code = carry_out(&w, out, e);
    free(w.plans);
    session_free(w.session);
    return code;
}
