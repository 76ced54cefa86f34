/* The parameters of a simulated feeder. */
#include "rig/model/model.h"
#include "rig/simulator/feeder_fields.h"
#include "rig/simulator/feeder_file.h"
#include "rig/simulator/rig_run.h"
#include "tests/fuzz/fuzz.h"

#include <assert.h>
#include <inttypes.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static enum err_code read_input(const char *path, void *parameters, struct err *e)
{
    return feeder_file_read(path, parameters, e);
}

static void put_field(FILE *file, struct model_parameters *p, const struct feeder_field *f)
{
    switch (f->kind) {
    case FEEDER_DOUBLE:
        fprintf(file, "  %s: %.17g\n", f->key, *feeder_field_double(p, f));
        return;
    case FEEDER_BOOL:
        fprintf(file, "  %s: %s\n", f->key, *feeder_field_bool(p, f) ? "true" : "false");
        return;
    case FEEDER_END:
        fprintf(file, "  %s: %s\n", f->key, RIG_END_NAMES[*feeder_field_end(p, f)]);
        return;
    case FEEDER_INT:
        fprintf(file, "  %s: %d\n", f->key, *feeder_field_int(p, f));
        return;
    case FEEDER_INT32:
        fprintf(file, "  %s: %" PRId32 "\n", f->key, *feeder_field_int32(p, f));
        return;
    }
}

static bool is_the_same(struct model_parameters *a, struct model_parameters *b, const struct feeder_field *f)
{
    switch (f->kind) {
    case FEEDER_DOUBLE:
        return memcmp(feeder_field_double(a, f), feeder_field_double(b, f), sizeof(double)) == 0;
    case FEEDER_BOOL:
        return *feeder_field_bool(a, f) == *feeder_field_bool(b, f);
    case FEEDER_END:
        return *feeder_field_end(a, f) == *feeder_field_end(b, f);
    case FEEDER_INT:
        return *feeder_field_int(a, f) == *feeder_field_int(b, f);
    case FEEDER_INT32:
        return *feeder_field_int32(a, f) == *feeder_field_int32(b, f);
    }
    return false;
}

/* Every parameter written down, with all digits, and read again is the same; false when it cannot be
 * simulated. */
static bool check_written(struct model_parameters *p)
{
    struct model_parameters again;
    enum err_code code;
    char *text;
    size_t length;
    FILE *file = open_memstream(&text, &length);
    struct err e = {0};
    assert(file != NULL);
    fputs("name: \"", file);
    for (const char *c = p->name; *c != 0; c++) {
        if (*c == '"' || *c == '\\')
            fputc('\\', file);
        fputc(*c, file);
    }
    fputs("\"\n", file);
    for (size_t i = 0; i < feeder_field_count; i++) {
        if (i == 0 || strcmp(feeder_fields[i].section, feeder_fields[i - 1].section) != 0)
            fprintf(file, "%s:\n", feeder_fields[i].section);
        put_field(file, p, &feeder_fields[i]);
    }
    fputs("end: true\n", file);
    fclose(file);
    code = feeder_file_read(fuzz_file((const uint8_t *)text, length), &again, &e);
    free(text);
    fuzz_check_error(code, &e, 1u << ERR_FILE);
    if (code != ERR_OK)
        return false;
    assert(strcmp(again.name, p->name) == 0);
    for (size_t i = 0; i < feeder_field_count; i++)
        assert(is_the_same(p, &again, &feeder_fields[i]));
    return true;
}

/* One parameter is another, its value by chance: it is read as that, or told to be impossible. */
static void check_another(const struct model_parameters *p, const struct feeder_field *f, uint64_t chance)
{
    struct model_parameters other = *p;
    double share = (double)(chance >> 40) / (double)(1u << 24);
    double value = f->low + (f->high - f->low) * share;
    switch (f->kind) {
    case FEEDER_DOUBLE:
        *feeder_field_double(&other, f) = value;
        break;
    case FEEDER_BOOL:
        *feeder_field_bool(&other, f) = !*feeder_field_bool(&other, f);
        break;
    case FEEDER_END:
        *feeder_field_end(&other, f) = share < 0.5 ? MODEL_END_BLOCKED : MODEL_END_HOT;
        break;
    case FEEDER_INT:
        *feeder_field_int(&other, f) = (int)value;
        break;
    case FEEDER_INT32:
        *feeder_field_int32(&other, f) = (int32_t)value;
        break;
    }
    assert(check_written(&other) == (model_check(&other) == NULL));
}

static double number_of(struct model_parameters *p, const struct feeder_field *f)
{
    switch (f->kind) {
    case FEEDER_DOUBLE:
        return *feeder_field_double(p, f);
    case FEEDER_BOOL:
        return *feeder_field_bool(p, f);
    case FEEDER_END:
        return *feeder_field_end(p, f);
    case FEEDER_INT:
        return *feeder_field_int(p, f);
    case FEEDER_INT32:
        return *feeder_field_int32(p, f);
    }
    return NAN;
}

/* Two feeders of one name cannot be told apart, and two rigs are none. */
static void check_together(const struct model_parameters *p)
{
    struct model_parameters two[2] = {*p, *p};
    struct err e = {0};
    fuzz_check_error(feeder_file_check_together(two, 2, &e), &e, 1u << ERR_FILE);
    assert(e.code == ERR_FILE);
    snprintf(two[1].name, sizeof two[1].name, "%s", strcmp(p->name, "other") == 0 ? "another" : "other");
    assert(feeder_file_check_together(two, 2, &e) == ERR_OK);
    two[1].motor.microsteps++;
    e = (struct err){0};
    fuzz_check_error(feeder_file_check_together(two, 2, &e), &e, 1u << ERR_FILE);
    assert(e.code == ERR_FILE);
}

int LLVMFuzzerTestOneInput(const uint8_t *bytes, size_t length)
{
    static struct model_parameters p, untouched;
    static const struct fuzz_reader reader = {.size = sizeof p, .read = read_input};
    memset(&p, 0x5A, sizeof p);
    untouched = p;
    if (fuzz_read(&reader, bytes, length, &p) != ERR_OK) {
        assert(memcmp(&p, &untouched, sizeof p) == 0);
        return 0;
    }
    assert(p.name[0] != 0 && model_check(&p) == NULL);
    for (size_t i = 0; i < feeder_field_count; i++) {
        const struct feeder_field *f = &feeder_fields[i];
        double value = number_of(&p, f), standard = 0;
        struct model_parameters defaults = model_default();
        standard = number_of(&defaults, f);
        /* A default need not be a number that a file may hold. */
        assert((value >= f->low && value <= f->high) || (value <= standard && value >= standard) ||
               (isnan(value) && isnan(standard)) || f->kind == FEEDER_BOOL);
    }
    assert(check_written(&p));
    for (size_t i = fuzz_hash(bytes, length) % 7; i < feeder_field_count; i += 7)
        check_another(&p, &feeder_fields[i], fuzz_hash_on(i, bytes, length));
    check_together(&p);
    return 0;
}
