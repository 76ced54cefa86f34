#include "analyze/prediction.h"

#include "analyze/motor_file.h"
#include "analyze/push.h"
#include "analyze/speed_sweep.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static const double PI = 3.14159265358979323846;

static const char *last_part(const char *path)
{
    const char *slash = strrchr(path, '/');
    return slash != NULL ? slash + 1 : path;
}

static enum err_code read_motor(const struct session_motor *from, struct prediction_motor *m, struct err *e)
{
    enum err_code code = ERR_OK;
    snprintf(m->feeder, sizeof m->feeder, "%s", from->feeder);
    snprintf(m->file, sizeof m->file, "%s", last_part(from->file));
    if (from->text == NULL) {
        code = file_bytes_read(from->file, MOTOR_FILE_BYTES_MAX, &m->text, &m->length, e);
    } else {
        m->length = strlen(from->text);
        m->text = strdup(from->text);
        if (m->text == NULL)
            code = err_set(e, ERR_MEMORY, "out of memory for a motor file");
    }
    if (code == ERR_OK)
        code = motor_file_parse(m->text, m->length, from->file, &m->motor, e);
    if (code == ERR_OK)
        code = file_bytes_hash_memory(m->text, m->length, from->file, m->hash, e);
    return code;
}

enum err_code prediction_read_motors(struct session *s, const struct session_options *options, struct err *e)
{
    enum err_code code = ERR_OK;
    if (options->motor_count == 0)
        return ERR_OK;
    s->motors = calloc(options->motor_count, sizeof *s->motors);
    if (s->motors == NULL)
        return err_set(e, ERR_MEMORY, "out of memory for %zu motor files", options->motor_count);
    for (size_t i = 0; i < options->motor_count && code == ERR_OK; i++) {
        const char *feeder = options->motors[i].feeder;
        for (size_t k = 0; k < i; k++) {
            if (strcmp(options->motors[k].feeder, feeder) == 0)
                return feeder[0] == 0
                           ? err_set(e, ERR_USAGE,
                                     "%.200s and %.200s are both to be the motor of every feeder: name the "
                                     "feeder of one",
                                     options->motors[k].file, options->motors[i].file)
                           : err_set(e, ERR_USAGE, "%.200s and %.200s are both to be the motor of '%.63s'",
                                     options->motors[k].file, options->motors[i].file, feeder);
        }
        s->motor_count = i + 1;
        code = read_motor(&options->motors[i], &s->motors[i], e);
    }
    return code;
}

static const struct run_record *first_record(const struct session *s, size_t feeder)
{
    for (size_t i = 0; i < s->run_count; i++) {
        if (s->runs[i].feeder == feeder)
            return s->runs[i].record;
    }
    return NULL;
}

/* The motor of a feeder: one that was named for it as it is called here, else as its plan calls it, else the
 * one for all. motor_count: none. */
static size_t motor_of(const struct session *s, size_t feeder, const struct run_record *record)
{
    const char *names[] = {s->feeders[feeder].name, record->feeder, ""};
    for (size_t k = 0; k < sizeof names / sizeof names[0]; k++) {
        for (size_t i = 0; i < s->motor_count; i++) {
            if (strcmp(s->motors[i].feeder, names[k]) == 0)
                return i;
        }
    }
    return s->motor_count;
}

static enum err_code check_steps(const struct session *s, size_t feeder, const struct run_record *record,
                                 const struct predict_motor *m, const char *file, struct err *e)
{
    if (record->full_steps_per_rev == m->full_steps_per_rev)
        return ERR_OK;
    return err_set_at(e, ERR_FILE, file, 0, 0,
                      "full_steps_per_rev is %d, but %.60s in %.200s has a motor of %d",
                      m->full_steps_per_rev, s->feeders[feeder].name,
                      s->series[s->feeders[feeder].series]->folder, record->full_steps_per_rev);
}

enum err_code prediction_check_motors(const struct session *s, const struct session_options *options,
                                      struct err *e)
{
    for (size_t i = 0; i < s->motor_count; i++) {
        const struct prediction_motor *m = &s->motors[i];
        const char *file = options->motors[i].file;
        bool any = false;
        for (size_t k = 0; k < s->feeder_count; k++) {
            const struct run_record *record = first_record(s, k);
            enum err_code code;
            if (record == NULL || motor_of(s, k, record) != i)
                continue;
            any = true;
            code = check_steps(s, k, record, &m->motor, file, e);
            if (code != ERR_OK)
                return code;
        }
        if (!any && m->feeder[0] != 0)
            return err_set(e, ERR_USAGE,
                           "%.200s is to be the motor of '%.63s', but no feeder of that name was run", file,
                           m->feeder);
        if (!any)
            return err_set(e, ERR_USAGE, "%.200s is no feeder's motor: each that was run has one of its own",
                           file);
    }
    return ERR_OK;
}

/* The force of a point is the motor's only where the motor gave way in every run. */
static void take_measured(struct prediction *p, const struct feeder_result *result)
{
    for (size_t i = 0; i < result->point_count; i++) {
        const struct speed_point *point = &result->points[i];
        struct predict_measured *m = &p->measured[p->measured_count];
        if (!point->stall_force_n.present || point->run_count == 0 ||
            point->limited_count[LIMITED_UNCLEAR] == point->run_count)
            continue;
        m->speed_mm_s = point->speed_mm_s;
        m->force_n = point->stall_force_n;
        m->bound = point->stall_force_n.at_least || point->limited_count[LIMITED_MOTOR] != point->run_count;
        p->measured_count++;
    }
}

static double feed_degrees(const struct calibration *calibration, const char *feeder)
{
    for (size_t i = 0; i < calibration->feed_count; i++) {
        const struct calibration_feed *f = &calibration->feeds[i];
        if (strcmp(f->feeder, feeder) == 0)
            return isfinite(f->degrees_of_freedom) ? f->degrees_of_freedom : 0;
    }
    return 0;
}

enum err_code prediction_of_feeder(const struct session *s, size_t index, const struct predict_motor *motor,
                                   const char *file, struct prediction *p, bool *run, struct err *e)
{
    const struct feeder_result *result = &s->feeders[index];
    const struct calibration *calibration = &s->series[result->series]->calibration;
    const struct run_record *record = first_record(s, index);
    double relative, microstep_mm;
    enum err_code code;
    *run = record != NULL; /* else named in the plan but never run */
    if (record == NULL)
        return ERR_OK;
    code = check_steps(s, index, record, motor, file, e);
    if (code != ERR_OK)
        return code;
    *p = (struct prediction){.feeder = index};
    snprintf(p->name, sizeof p->name, "%s", result->name);
    microstep_mm = push_feed_per_microstep_mm(record, calibration, &relative);
    p->drive.reduction = record->reduction;
    p->drive.drive_diameter_mm =
        microstep_mm * record->microsteps * record->full_steps_per_rev * record->reduction / PI;
    p->drive.diameter_relative = relative;
    p->drive.diameter_degrees = feed_degrees(calibration, record->feeder);
    if (record->mm_per_microstep > 0)
        p->drive.rad_s_per_mm_s = 2 * PI / (4 * record->mm_per_microstep * record->microsteps);
    take_measured(p, result);
    if (result->torque_curve.present) {
        p->fitted = &result->torque_curve;
        p->newtons_per_nm = 1 / speed_sweep_torque_per_newton_m(record, calibration);
    }
    return ERR_OK;
}

enum err_code prediction_all(struct session *s, struct err *e)
{
    enum err_code code = ERR_OK;
    if (s->motor_count == 0)
        return ERR_OK;
    s->predictions = calloc(s->feeder_count + 1, sizeof *s->predictions);
    if (s->predictions == NULL)
        return err_set(e, ERR_MEMORY, "out of memory for %zu predictions", s->feeder_count);
    for (size_t i = 0; i < s->feeder_count && code == ERR_OK; i++) {
        struct prediction *p = &s->predictions[s->prediction_count];
        const struct run_record *record = first_record(s, i);
        size_t motor = record != NULL ? motor_of(s, i, record) : s->motor_count;
        const struct prediction_motor *m = &s->motors[motor];
        bool run;
        if (motor == s->motor_count)
            continue;
        code = prediction_of_feeder(s, i, &m->motor, m->file, p, &run, e);
        if (code == ERR_OK)
            code = predict_judge(&m->motor, &p->drive, p->measured, p->measured_count, &p->verdict, e);
        p->motor = motor;
        s->prediction_count++;
    }
    return code;
}

bool prediction_any_measured(const struct session *s)
{
    for (size_t i = 0; i < s->prediction_count; i++) {
        if (s->predictions[i].measured_count > 0)
            return true;
    }
    return false;
}

void prediction_forget(struct session *s)
{
    for (size_t i = 0; i < s->motor_count; i++)
        free(s->motors[i].text);
    free(s->motors);
    free(s->predictions);
    s->motors = NULL;
    s->predictions = NULL;
    s->motor_count = s->prediction_count = 0;
}

/* One side of the band, in N m: the drive diameter was added to it in quadrature (motor_parameters.h). */
static double without_lever(double side_nm, double lever_nm)
{
    return sqrt(fmax(0, side_nm * side_nm - lever_nm * lever_nm));
}

struct quantity prediction_fitted_n(const struct prediction *p, size_t i)
{
    const struct torque_curve *c = p->fitted;
    double torque = c->torque_nm[i],
           lever = quantity_t_975(INFINITY) * fabs(torque) * p->drive.diameter_relative;
    struct quantity q = quantity_absent();
    if (!isfinite(torque))
        return q;
    q.present = true;
    q.value = p->newtons_per_nm * torque;
    q.low_95 = q.value - p->newtons_per_nm * without_lever(torque - c->low_95_nm[i], lever);
    q.high_95 = q.value + p->newtons_per_nm * without_lever(c->high_95_nm[i] - torque, lever);
    q.degrees_of_freedom = c->degrees_of_freedom;
    q.n = (uint32_t)c->fitted_count;
    q.standard_uncertainty = (q.high_95 - q.low_95) / 2 / quantity_t_975(c->degrees_of_freedom);
    return q;
}
