#include "analyze/report/benches_show.h"

#include "analyze/report/calibration_used.h"
#include "analyze/report/json_build.h"
#include "analyze/report/json_outcome.h"

#include <math.h>

#define SCHEMA "nipbench-benches-1"

static const char *const MARKS[] = {"sound", "straggler", "outlier"};

static json_t *cell(struct json_build *b, const struct benches_section *s, size_t bench)
{
    const struct bench_cell *c = &s->consistency->cells[bench];
    json_t *o = json_object(), *values = json_array();
    for (size_t i = 0; i < s->values; i++) {
        if (s->bench_of[i] == bench)
            json_build_append(b, values, json_build_number(s->numbers[i]));
    }
    json_build_set(b, o, "bench", json_build_text(s->names[bench]));
    json_build_set(b, o, "values", values);
    json_build_set(b, o, "n", json_build_count(c->n));
    json_build_set(b, o, "mean", json_build_number(c->mean));
    json_build_set(b, o, "sd", json_build_number(c->sd));
    json_build_set(b, o, "h", json_build_number(c->h));
    json_build_set(b, o, "h_mark", json_string(MARKS[c->h_mark]));
    json_build_set(b, o, "k", json_build_number(c->k));
    json_build_set(b, o, "k_mark", json_string(MARKS[c->k_mark]));
    return o;
}

static json_t *checks(struct json_build *b, const struct benches_section *s)
{
    static const char *const keys[BENCHES_CHECKS] = {"cochran", "grubbs_low", "grubbs_high", "grubbs_two_low",
                                                     "grubbs_two_high"};
    json_t *all = json_object();
    for (size_t i = 0; i < BENCHES_CHECKS; i++) {
        const struct bench_check *check = benches_check(s->consistency, i);
        json_t *o = check != NULL ? json_object() : json_null();
        if (check != NULL) {
            json_build_set(b, o, "statistic", json_build_number(check->statistic));
            json_build_set(b, o, "critical_5_percent", json_build_number(check->critical_5));
            json_build_set(b, o, "critical_1_percent", json_build_number(check->critical_1));
            json_build_set(b, o, "mark", json_string(MARKS[check->mark]));
            json_build_set(b, o, "bench", json_build_text(s->names[check->bench]));
            json_build_set(b, o, "other",
                           i >= BENCHES_PAIRS ? json_build_text(s->names[check->other]) : json_null());
        }
        json_build_set(b, all, keys[i], o);
    }
    return all;
}

static void put_between(struct json_build *b, json_t *o, const struct benches_section *s)
{
    const struct bench_consistency *c = s->consistency;
    json_t *cells = json_array();
    for (size_t i = 0; i < c->benches; i++)
        json_build_append(b, cells, cell(b, s, i));
    json_build_set(b, o, "benches", cells);
    json_build_set(b, o, "several_operators", json_boolean(s->several_operators));
    json_build_set(b, o, "mean", json_build_number(c->mean));
    json_build_set(b, o, "sd_of_means", json_build_number(c->sd_of_means));
    json_build_set(b, o, "repeatability_sd", json_build_number(c->repeatability_sd));
    json_build_set(b, o, "between_sd", json_build_number(c->between_sd));
    json_build_set(b, o, "between_clamped", json_boolean(c->between_clamped));
    json_build_set(b, o, "reproducibility_sd", json_build_number(c->reproducibility_sd));
    json_build_set(b, o, "repeatability_limit", json_build_number(c->repeatability_limit));
    json_build_set(b, o, "reproducibility_limit", json_build_number(c->reproducibility_limit));
    json_build_set(b, o, "h_critical_5_percent", json_build_number(c->h_critical_5));
    json_build_set(b, o, "h_critical_1_percent", json_build_number(c->h_critical_1));
    json_build_set(b, o, "k_critical_5_percent", json_build_number(c->k_critical_5));
    json_build_set(b, o, "k_critical_1_percent", json_build_number(c->k_critical_1));
    json_build_set(b, o, "checks", checks(b, s));
}

static json_t *component(struct json_build *b, const struct benches_section *s, size_t i)
{
    const struct variance_component *c = &s->split.components[i];
    json_t *o = json_object();
    json_build_set(b, o, "source", json_string(benches_section_source(s, i)));
    json_build_set(b, o, "levels", i < s->factor_count ? json_build_count(s->levels[i]) : json_null());
    json_build_set(b, o, "degrees_of_freedom", json_build_number(c->degrees_of_freedom));
    json_build_set(b, o, "sum_of_squares", json_build_number(c->present ? c->square : NAN));
    json_build_set(b, o, "mean_square", json_build_number(c->present ? c->mean_square : NAN));
    json_build_set(b, o, "variance", json_build_number(c->present ? c->variance : NAN));
    json_build_set(b, o, "low_95", json_build_number(c->present ? c->low_95 : NAN));
    json_build_set(b, o, "high_95", json_build_number(c->present ? c->high_95 : NAN));
    json_build_set(b, o, "sd", json_build_number(c->present ? c->sd : NAN));
    json_build_set(b, o, "share", json_build_number(c->present ? c->share : NAN));
    json_build_set(b, o, "f", json_build_number(c->present ? c->f : NAN));
    json_build_set(b, o, "p_value", json_build_number(c->present ? c->p_value : NAN));
    return o;
}

static void put_rig(struct json_build *b, json_t *o, const struct benches_section *s)
{
    json_t *components = json_array();
    for (size_t i = 0; i < s->split.count; i++)
        json_build_append(b, components, component(b, s, i));
    json_build_set(b, o, "bench", s->bench[0] != 0 ? json_build_text(s->bench) : json_null());
    json_build_set(b, o, "components", components);
    json_build_set(b, o, "mean", json_build_number(s->split.mean));
    json_build_set(b, o, "total_variance", json_build_number(s->split.total_variance));
    json_build_set(b, o, "rig_share", s->has_own_share ? json_build_number(s->own_share) : json_null());
    json_build_set(b, o, "rig_sd", s->has_own_share ? json_build_number(s->own_sd) : json_null());
    json_build_set(b, o, "why_no_rig_share",
                   s->has_own_share ? json_null() : json_build_text(s->why_no_share));
    json_build_set(b, o, "feeder_sd", s->has_own_share ? json_build_number(s->feeder_sd) : json_null());
}

static json_t *section(struct json_build *b, const struct benches_section *s)
{
    json_t *o = json_object();
    json_build_set(b, o, "kind", json_string(s->kind == BENCHES_BETWEEN ? "between_benches" : "one_bench"));
    json_build_set(b, o, "feeder", s->feeder[0] != 0 ? json_build_text(s->feeder) : json_null());
    json_build_set(b, o, "speed_mm_s", json_build_number(s->speed_mm_s));
    json_build_set(b, o, "values", json_build_count(s->values));
    json_build_set(b, o, "runs", json_build_count(s->runs));
    json_build_set(b, o, "runs_without_value", json_build_count(s->without));
    json_build_set(b, o, "why_not", s->answered ? json_null() : json_build_text(s->why_not));
    json_build_set(b, o, "accepted",
                   report_json_sentences(b, s->accepted[0], sizeof s->accepted[0], s->accepted_count));
    if (s->answered && s->kind == BENCHES_BETWEEN)
        put_between(b, o, s);
    else if (s->answered)
        put_rig(b, o, s);
    return o;
}

enum err_code benches_json_write(const struct benches *benches, const struct session *session, FILE *out,
                                 struct err *e)
{
    struct json_build b = {false};
    json_t *root = json_object(), *sections = json_array();
    int rc;
    for (size_t i = 0; i < benches->count; i++)
        json_build_append(&b, sections, section(&b, &benches->sections[i]));
    json_build_set(&b, root, "schema", json_string(SCHEMA));
    json_build_set(&b, root, "simulated", json_boolean(session != NULL && session->simulated));
    calibration_used_of_session(&b, root, session);
    json_build_set(&b, root, "quantity", json_build_text(benches->quantity));
    json_build_set(&b, root, "unit", json_build_text(benches->unit));
    json_build_set(&b, root, "sections", sections);
    rc = b.failed ? -1 : json_dumpf(root, out, JSON_INDENT(1) | JSON_REAL_PRECISION(12));
    json_decref(root);
    if (b.failed)
        return err_set(e, ERR_MEMORY, "out of memory for the result");
    return rc == 0 && fputc('\n', out) != EOF ? ERR_OK
                                              : err_set(e, ERR_SYSTEM, "the result could not be written");
}
