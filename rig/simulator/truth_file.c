#include "rig/simulator/truth_file.h"

#include "rig/simulator/feeder_fields.h"

#include <errno.h>
#include <fcntl.h>
#include <jansson.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

/* JSON has no way to say not-a-number: null stands for it, and for what does not apply. */
static json_t *number_or_null(double value)
{
    return isfinite(value) ? json_real(value) : json_null();
}

/* json_object_set_new reports a value that could not be made; one flag collects it for all calls. */
static void set(json_t *object, const char *key, json_t *value, bool *failed)
{
    if (json_object_set_new(object, key, value) != 0)
        *failed = true;
}

static json_t *truth_json(const struct model_truth *t, bool *failed)
{
    json_t *o = json_object();
    set(o, "motor_limit_n", number_or_null(t->motor_limit_n), failed);
    set(o, "grip_limit_n", number_or_null(t->grip_limit_n), failed);
    set(o, "shear_n", number_or_null(t->shear_n), failed);
    set(o, "slip_onset_n", number_or_null(t->slip_onset_n), failed);
    set(o, "onset_reached", json_boolean(t->onset_reached), failed);
    set(o, "creep_per_n", number_or_null(t->creep_per_n), failed);
    set(o, "gross_slip_per_n", number_or_null(t->gross_slip_per_n), failed);
    set(o, "stall_force_n", number_or_null(t->stall_force_n), failed);
    set(o, "limited_by", json_string(t->limited_by == MODEL_LIMIT_MOTOR ? "motor" : "grip"), failed);
    set(o, "settles", json_boolean(t->settles), failed);
    set(o, "drop_period_mm", number_or_null(t->drop_period_mm), failed);
    set(o, "stiffness_n_per_mm", number_or_null(t->stiffness_n_per_mm), failed);
    return o;
}

static json_t *feeder_json(const struct model_parameters *parameters, bool *failed)
{
    struct model_parameters p = *parameters;
    json_t *o = json_object();
    json_t *section = NULL; /* borrowed from o */
    set(o, "name", json_string(p.name), failed);
    for (size_t i = 0; i < feeder_field_count; i++) {
        const struct feeder_field *f = &feeder_fields[i];
        if (i == 0 || strcmp(f->section, feeder_fields[i - 1].section) != 0) {
            section = json_object();
            set(o, f->section, section, failed);
        }
        if (*failed)
            break; /* section may be gone */
        switch (f->kind) {
        case FEEDER_DOUBLE:
            set(section, f->key, number_or_null(*feeder_field_double(&p, f)), failed);
            break;
        case FEEDER_INT:
            set(section, f->key, json_integer(*feeder_field_int(&p, f)), failed);
            break;
        case FEEDER_INT32:
            set(section, f->key, json_integer(*feeder_field_int32(&p, f)), failed);
            break;
        case FEEDER_END:
            set(section, f->key, json_string(RIG_END_NAMES[*feeder_field_end(&p, f)]), failed);
            break;
        case FEEDER_BOOL:
            set(section, f->key, json_boolean(*feeder_field_bool(&p, f)), failed);
            break;
        }
    }
    return o;
}

static json_t *run_json(const struct rig_setup *setup, const struct rig_run *run, size_t number, bool *failed)
{
    json_t *o = json_object();
    set(o, "run", json_integer((json_int_t)number), failed);
    set(o, "feeder", json_string(setup->feeders[run->feeder].name), failed);
    set(o, "nip_preload_n", number_or_null(run->nip_preload_n), failed);
    set(o, "speed_mm_s", number_or_null(run->speed_mm_s), failed);
    set(o, "end", json_string(RIG_END_NAMES[run->end]), failed);
    set(o, "brake_load_n", number_or_null(run->brake_load_n), failed);
    set(o, "hot_end_temperature_c", number_or_null(run->hot_end_temperature_c), failed);
    set(o, "load_line_n", number_or_null(run->load_line_n), failed);
    set(o, "guide_tube_bend_deg", number_or_null(run->guide_tube_bend_deg), failed);
    set(o, "fed_since_cleaning_m", number_or_null(run->fed_since_cleaning_m), failed);
    set(o, "lost_motion_mm", number_or_null(run->lost_motion_mm), failed);
    set(o, "force_ratio", number_or_null(run->force_ratio), failed);
    set(o, "nominal", truth_json(&run->nominal, failed), failed);
    set(o, "realised", truth_json(&run->realised, failed), failed);
    return o;
}

static char *truth_text(const struct rig_setup *setup, const struct rig_state *rig)
{
    bool failed = false;
    json_t *root = json_object();
    json_t *feeders = json_array();
    json_t *runs = json_array();
    set(root, "schema", json_string("nipbench-truth-1"), &failed);
    set(root, "simulated", json_true(), &failed);
    set(root, "seed", json_integer((json_int_t)setup->seed), &failed);
    for (size_t i = 0; i < setup->feeder_count; i++)
        if (json_array_append_new(feeders, feeder_json(&setup->feeders[i], &failed)) != 0)
            failed = true;
    for (size_t i = 0; i < rig_state_run_count(rig); i++)
        if (json_array_append_new(runs, run_json(setup, rig_state_run(rig, i), i + 1, &failed)) != 0)
            failed = true;
    set(root, "feeders", feeders, &failed);
    set(root, "runs", runs, &failed);
    char *text = failed ? NULL : json_dumps(root, JSON_INDENT(2) | JSON_REAL_PRECISION(15));
    json_decref(root);
    return text;
}

static bool write_all(int fd, const char *text, size_t length)
{
    while (length > 0) {
        const ssize_t written = write(fd, text, length);
        if (written < 0 && errno == EINTR)
            continue;
        if (written <= 0)
            return false;
        text += written;
        length -= (size_t)written;
    }
    return true;
}

enum err_code truth_file_write(const char *path, const struct rig_setup *setup, const struct rig_state *rig,
                               struct err *e)
{
    enum err_code code = ERR_OK;
    char *temporary = NULL;
    int fd = -1;
    char *text = truth_text(setup, rig);
    if (text == NULL || asprintf(&temporary, "%s.tmp", path) < 0) {
        temporary = NULL;
        code = err_set(e, ERR_MEMORY, "no memory to write the truth file");
        goto out;
    }
    fd = open(temporary, O_WRONLY | O_CREAT | O_TRUNC | O_CLOEXEC, 0666);
    if (fd < 0 || !write_all(fd, text, strlen(text)) || !write_all(fd, "\n", 1)) {
        code = err_set_at(e, ERR_SYSTEM, temporary, 0, 0, "cannot write the truth file: %s", strerror(errno));
        goto out;
    }
    if (close(fd) != 0 || rename(temporary, path) != 0)
        code = err_set_at(e, ERR_SYSTEM, path, 0, 0, "cannot write the truth file: %s", strerror(errno));
    fd = -1;
out:
    if (fd >= 0)
        close(fd);
    if (code != ERR_OK && temporary != NULL)
        unlink(temporary);
    free(temporary);
    free(text);
    return code;
}
