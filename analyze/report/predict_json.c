#include "analyze/report/predict_show.h"

#include "analyze/report/calibration_used.h"
#include "analyze/report/json_build.h"
#include "analyze/report/json_outcome.h"

/* A predicted force with its budget at that speed. */
static json_t *force_quantity(struct json_build *b, const struct predict_motor *motor,
                              const struct predict_drive *drive, const struct predict_force *f)
{
    struct budget budget;
    bool known = predict_budget(motor, drive, f->speed_mm_s, &budget, NULL) == ERR_OK;
    return report_json_quantity(b, &f->force_n, "N", known ? &budget : NULL);
}

static void put_limit(struct json_build *b, json_t *o, const struct predict_force *f)
{
    json_build_set(b, o, "motor_torque_nm", json_build_number(f->torque_nm));
    json_build_set(b, o, "limited_by", json_build_text(f->current_limited ? "current" : "voltage"));
}

static json_t *force(struct json_build *b, const struct predict_motor *motor,
                     const struct predict_drive *drive, const struct predict_force *f)
{
    json_t *o = json_object();
    json_build_set(b, o, "speed_mm_s", json_build_number(f->speed_mm_s));
    json_build_set(b, o, "push_force_n", force_quantity(b, motor, drive, f));
    put_limit(b, o, f);
    return o;
}

static json_t *measured(struct json_build *b, const struct predict_motor *motor,
                        const struct predict_drive *drive, const struct predict_measured *m)
{
    json_t *o = json_object();
    struct quantity q = m->bound ? quantity_at_least(m->force_n.value) : m->force_n;
    json_build_set(b, o, "speed_mm_s", json_build_number(m->speed_mm_s));
    json_build_set(b, o, "measured_n", report_json_quantity(b, &q, "N", NULL));
    json_build_set(b, o, "predicted_n", force_quantity(b, motor, drive, &m->predicted));
    put_limit(b, o, &m->predicted);
    json_build_set(b, o, "difference_n", report_json_quantity(b, &m->difference_n, "N", NULL));
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

static void put_drive(struct json_build *b, json_t *o, const struct predict_drive *drive)
{
    json_build_set(b, o, "drive_diameter_mm", json_build_number(drive->drive_diameter_mm));
    json_build_set(b, o, "reduction", json_build_number(drive->reduction));
}

static void put_found(struct json_build *b, json_t *o, const struct predict_motor *motor,
                      const struct prediction *p)
{
    json_t *points = json_array();
    for (size_t k = 0; k < p->measured_count; k++)
        json_build_append(b, points, measured(b, motor, &p->drive, &p->measured[k]));
    json_build_set(b, o, "measured", points);
    json_build_set(b, o, "differing", json_build_count(p->verdict.differing));
    json_build_set(b, o, "pattern",
                   p->verdict.pattern[0] != 0 ? json_build_text(p->verdict.pattern) : json_null());
    json_build_set(b, o, "causes", causes(b, &p->verdict));
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
        json_t *o = json_object(), *forces = json_array();
        json_build_set(&b, o, "feeder", f->p.name[0] != 0 ? json_build_text(f->p.name) : json_null());
        put_drive(&b, o, &f->p.drive);
        for (size_t k = 0; k < f->force_count; k++)
            json_build_append(&b, forces, force(&b, &answer->motor, &f->p.drive, &f->forces[k]));
        json_build_set(&b, o, "predicted", forces);
        put_found(&b, o, &answer->motor, &f->p);
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

/* The numbers of the file under its own keys, and the tolerances as they are taken. */
static json_t *motor_values(struct json_build *b, const struct predict_motor *m)
{
    json_t *o = json_object();
    for (int i = 0; i < PREDICT_INPUTS; i++) {
        bool stated = m->values[i] > 0;
        json_build_set(b, o, PREDICT_INPUT_KINDS[i].key,
                       stated ? json_build_number(m->values[i]) : json_null());
        json_build_set(b, o, PREDICT_INPUT_KINDS[i].tolerance_key,
                       json_build_number(m->tolerance_percent[i]));
    }
    json_build_set(b, o, "current_is", json_string(m->current_is_rms ? "rms" : "peak"));
    json_build_set(b, o, "full_steps_per_rev", json_integer(m->full_steps_per_rev));
    json_build_set(b, o, "reduction", m->reduction > 0 ? json_build_number(m->reduction) : json_null());
    return o;
}

json_t *predict_json_motors(struct json_build *b, const struct session *session)
{
    json_t *array = json_array();
    for (size_t i = 0; i < session->motor_count; i++) {
        const struct prediction_motor *m = &session->motors[i];
        json_t *o = json_object();
        json_build_set(b, o, "file", json_build_text(m->file));
        json_build_set(b, o, "sha256", json_build_text(m->hash));
        json_build_set(b, o, "feeder", m->feeder[0] != 0 ? json_build_text(m->feeder) : json_null());
        json_build_set(b, o, "name", m->motor.name[0] != 0 ? json_build_text(m->motor.name) : json_null());
        json_build_set(b, o, "simulated", json_boolean(m->motor.simulated));
        json_build_set(b, o, "values", motor_values(b, &m->motor));
        json_build_set(b, o, "flux_linkage_wb", json_build_number(predict_flux_linkage_wb(&m->motor)));
        /* To the byte, so that it can be taken out again and has the hash that is stated. */
        json_build_set(b, o, "text", json_stringn(m->text, m->length));
        json_build_append(b, array, o);
    }
    return array;
}

json_t *predict_json_predictions(struct json_build *b, const struct session *session)
{
    json_t *array = json_array();
    for (size_t i = 0; i < session->prediction_count; i++) {
        const struct prediction *p = &session->predictions[i];
        json_t *o = json_object();
        json_build_set(b, o, "feeder", json_build_text(p->name));
        json_build_set(b, o, "motor", json_build_count(p->motor + 1));
        put_drive(b, o, &p->drive);
        put_found(b, o, &session->motors[p->motor].motor, p);
        json_build_append(b, array, o);
    }
    return array;
}
