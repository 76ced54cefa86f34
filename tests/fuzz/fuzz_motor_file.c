/* A motor's data sheet. */
#include "analyze/motor_file.h"
#include "tests/fuzz/fuzz.h"

#include <assert.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static enum err_code read_input(const char *path, void *motor, struct err *e)
{
    return motor_file_read(path, motor, e);
}

static void put_name(FILE *file, const char *name)
{
    fputs("name: \"", file);
    for (; *name != 0; name++) {
        if (*name == '"' || *name == '\\')
            fputc('\\', file);
        fputc(*name, file);
    }
    fputs("\"\n", file);
}

/* Every key written down, with all digits, and read again is the same. */
static void check_written(const struct predict_motor *m)
{
    struct predict_motor again;
    char *text;
    size_t length;
    FILE *file = open_memstream(&text, &length);
    struct err e = {0};
    assert(file != NULL);
    fputs("nipbench_motor: 1\n", file);
    if (m->name[0] != 0)
        put_name(file, m->name);
    fprintf(file, "simulated: %s\ncurrent_is: %s\n", m->simulated ? "true" : "false",
            m->current_is_rms ? "rms" : "peak");
    for (int i = 0; i < PREDICT_INPUTS; i++) {
        if (m->values[i] > 0)
            fprintf(file, "%s: %.17g\n", PREDICT_INPUT_KINDS[i].key, m->values[i]);
        fprintf(file, "%s: %.17g\n", PREDICT_INPUT_KINDS[i].tolerance_key, m->tolerance_percent[i]);
    }
    fprintf(file, "full_steps_per_rev: %d\n", m->full_steps_per_rev);
    if (m->reduction > 0)
        fprintf(file, "reduction: %.17g\n", m->reduction);
    fputs("end: true\n", file);
    fclose(file);
    assert(motor_file_read(fuzz_file((const uint8_t *)text, length), &again, &e) == ERR_OK);
    assert(strcmp(again.name, m->name) == 0 && again.simulated == m->simulated);
    assert(again.current_is_rms == m->current_is_rms && again.full_steps_per_rev == m->full_steps_per_rev);
    assert(memcmp(again.values, m->values, sizeof m->values) == 0);
    assert(memcmp(again.tolerance_percent, m->tolerance_percent, sizeof m->tolerance_percent) == 0);
    assert(memcmp(&again.reduction, &m->reduction, sizeof m->reduction) == 0);
    free(text);
}

static void check_cut_at(const struct predict_motor *whole, const uint8_t *bytes, size_t left)
{
    struct predict_motor cut;
    struct err e;
    if (motor_file_read(fuzz_file(bytes, left), &cut, &e) == ERR_OK)
        assert(memcmp(cut.values, whole->values, sizeof cut.values) == 0 &&
               memcmp(cut.tolerance_percent, whole->tolerance_percent, sizeof cut.tolerance_percent) == 0);
}

/* A file cut short is refused, unless only what comes behind the end is gone: at any byte near its end, and
 * at the ends of its last lines, where what is left is still good YAML. */
static void check_cut(const struct predict_motor *whole, const uint8_t *bytes, size_t length)
{
    size_t left = length - 1;
    check_cut_at(whole, bytes, left - (size_t)(fuzz_hash(bytes, length) % (length < 80 ? left : 80)));
    for (int lines = 0; left > 0 && lines<4; lines++, left -= left> 0) {
        while (left > 0 && bytes[left - 1] != '\n')
            left--;
        check_cut_at(whole, bytes, left);
    }
}

/* Whatever data sheet passes can be reckoned with: a force that is finite at any speed, and never greater at
 * a greater one. */
static void check_force(const struct predict_motor *m)
{
    struct predict_drive drive = {.reduction = m->reduction > 0 ? m->reduction : 1,
                                  .drive_diameter_mm = m->values[PREDICT_DRIVE_DIAMETER_MM] > 0
                                                           ? m->values[PREDICT_DRIVE_DIAMETER_MM]
                                                           : 11.3};
    const double factors[PREDICT_INPUTS] = {1, 1, 1, 1, 1, 1, 1, 1};
    double before = INFINITY;
    assert(isfinite(predict_flux_linkage_wb(m)) && predict_flux_linkage_wb(m) > 0);
    for (double speed = 0.01; speed <= 500; speed *= 5) {
        bool limited;
        double torque, force = predict_force_n(m, &drive, factors, speed, &torque, &limited);
        assert(isfinite(force) && isfinite(torque) && force <= before * (1 + 1e-9) + 1e-9);
        before = force;
    }
}

int LLVMFuzzerTestOneInput(const uint8_t *bytes, size_t length)
{
    struct predict_motor m;
    static const struct fuzz_reader reader = {.size = sizeof m, .read = read_input};
    if (fuzz_read(&reader, bytes, length, &m) != ERR_OK)
        return 0;
    for (int i = 0; i < PREDICT_INPUTS; i++) {
        const struct predict_input_kind *k = &PREDICT_INPUT_KINDS[i];
        if (i != PREDICT_DRIVE_DIAMETER_MM || m.values[i] > 0)
            assert(m.values[i] >= k->low && m.values[i] <= k->high);
        assert(m.tolerance_percent[i] >= 0 && m.tolerance_percent[i] <= 60);
    }
    assert(m.full_steps_per_rev >= 4 && m.full_steps_per_rev % 4 == 0 && m.full_steps_per_rev <= 100000);
    assert(m.reduction >= 0 && m.reduction <= 1000);
    check_force(&m);
    check_written(&m);
    check_cut(&m, bytes, length);
    return 0;
}
