#include "analyze/report/predict_show.h"

#include "analyze/report/calibration_used.h"
#include "analyze/report/json_build.h"
#include "analyze/report/json_outcome.h"

static json_t *force(struct json_build *b, const struct predict_force *f)
{
    json_t *o = json_object();
    json_build_set(b, o, "speed_mm_s", json_build_number(f->speed_mm_s));
    json_build_set(b, o, "push_force_n", report_json_quantity(b, &f->force_n, "N", NULL));
    json_build_set(b, o, "motor_torque_nm", json_build_number(f->torque_nm));
    json_build_set(b, o, "limited_by", json_build_text(f->current_limited ? "current" : "voltage"));
    return o;
}

static json_t *measured(struct json_build *b, const struct predict_measured *m)
{
    json_t *o = json_object();
    struct quantity q = m->bound ? quantity_at_least(m->force_n.value) : m->force_n;
    json_build_set(b, o, "speed_mm_s", json_build_number(m->speed_mm_s));
    json_build_set(b, o, "measured_n", report_json_quantity(b, &q, "N", NULL));
    json_build_set(b, o, "predicted_n", report_json_quantity(b, &m->predicted.force_n, "N", NULL));
    json_build_set(b, o, "joint_half_width_n", json_build_number(m->joint_n));
    json_build_set(b, o, "differs", json_boolean(m->differs));
    return o;
}

static json_t *causes(struct json_build *b, const struct predict_verdict *v)
{
    json_t *array = json_array();
    for (size_t i = 0; i < v->cause_count; i++) {
        json_t *o = json_object();
        json_build_set(b, o, "what", json_build_text(v->causes[i].what));
        json_build_set(b, o, "measurement_that_would_tell", json_build_text(v->causes[i].measure));
        json_build_set(b, o, "factor", json_build_number(v->causes[i].factor));
        json_build_set(b, o, "explained", json_build_number(v->causes[i].explained));
        json_build_append(b, array, o);
    }
    return array;
}

enum err_code predict_json_write(const struct predict_answer *answer, FILE *out, struct err *e)
{
    struct json_build b = {false};
    json_t *root = json_object(), *feeders = json_array();
    int status;
    json_build_set(&b, root, "schema", json_build_text("nipbench-prediction-1"));
    json_build_set(&b, root, "simulated", json_boolean(answer->simulated));
    calibration_used_of_session(&b, root, answer->session);
    json_build_set(&b, root, "motor", json_build_text(answer->motor.name));
    json_build_set(&b, root, "flux_linkage_wb", json_build_number(predict_flux_linkage_wb(&answer->motor)));
    for (size_t i = 0; i < answer->feeder_count; i++) {
        const struct predict_feeder *f = &answer->feeders[i];
        json_t *o = json_object(), *forces = json_array(), *points = json_array();
        json_build_set(&b, o, "feeder", f->name[0] != 0 ? json_build_text(f->name) : json_null());
        json_build_set(&b, o, "drive_diameter_mm", json_build_number(f->drive.drive_diameter_mm));
        json_build_set(&b, o, "reduction", json_build_number(f->drive.reduction));
        for (size_t k = 0; k < f->force_count; k++)
            json_build_append(&b, forces, force(&b, &f->forces[k]));
        for (size_t k = 0; k < f->measured_count; k++)
            json_build_append(&b, points, measured(&b, &f->measured[k]));
        json_build_set(&b, o, "predicted", forces);
        json_build_set(&b, o, "measured", points);
        json_build_set(&b, o, "differing", json_build_count(f->verdict.differing));
        json_build_set(&b, o, "pattern",
                       f->verdict.pattern[0] != 0 ? json_build_text(f->verdict.pattern) : json_null());
        json_build_set(&b, o, "causes", causes(&b, &f->verdict));
        json_build_append(&b, feeders, o);
    }
    json_build_set(&b, root, "feeders", feeders);
    status = b.failed ? -1 : json_dumpf(root, out, JSON_INDENT(2) | JSON_REAL_PRECISION(10));
    json_decref(root);
    if (b.failed)
        return err_set(e, ERR_MEMORY, "out of memory for the results");
    if (status != 0 || fputc('\n', out) == EOF)
        return err_set(e, ERR_SYSTEM, "the results could not be written");
    return ERR_OK;
}
