#include "analyze/motor_file.h"

#include "datasets/format/yaml_strict.h"

#include <stdio.h>
#include <string.h>

#define VERSION 1

/* The file was written whole: its last line says so. */
static enum err_code check_end(const struct yaml_node *root, struct err *e)
{
    bool end = false;
    enum err_code code = yaml_get_bool(root, "end", true, &end, e);
    size_t last = yaml_length(root);
    if (code != ERR_OK)
        return code;
    if (!end || last == 0 || strcmp(yaml_key(root, last - 1), "end") != 0)
        return yaml_complain(root, e, "the last line must be 'end: true'");
    return ERR_OK;
}

static enum err_code read_inputs(const struct yaml_node *root, struct predict_motor *m, struct err *e)
{
    for (int i = 0; i < PREDICT_INPUTS; i++) {
        const struct predict_input_kind *k = &PREDICT_INPUT_KINDS[i];
        enum err_code code = yaml_get_double(root, k->key, i != PREDICT_DRIVE_DIAMETER_MM, k->low, k->high,
                                             k->unit, &m->values[i], e);
        m->tolerance_percent[i] = k->tolerance_percent;
        if (code == ERR_OK)
            code = yaml_get_double(root, k->tolerance_key, false, 0, 60, "%", &m->tolerance_percent[i], e);
        if (code != ERR_OK)
            return code;
    }
    return ERR_OK;
}

static enum err_code read_root(const struct yaml_node *root, struct predict_motor *m, struct err *e)
{
    int64_t version = 0, steps = 0;
    char current[8] = "";
    const struct yaml_node *node = NULL;
    enum err_code code;
    if (!yaml_is_mapping(root))
        return yaml_complain(root, e, "a motor file is a list of keys with values");
    if ((code = yaml_get_int64(root, "nipbench_motor", true, VERSION, VERSION, "", &version, e)) != ERR_OK ||
        (code = yaml_get_text(root, "name", false, m->name, sizeof m->name, e)) != ERR_OK ||
        (code = yaml_get_bool(root, "simulated", false, &m->simulated, e)) != ERR_OK ||
        (code = read_inputs(root, m, e)) != ERR_OK ||
        (code = yaml_get_text(root, "current_is", true, current, sizeof current, e)) != ERR_OK ||
        (code = yaml_get_node(root, "current_is", true, &node, e)) != ERR_OK)
        return code;
    m->current_is_rms = strcmp(current, "rms") == 0;
    if (!m->current_is_rms && strcmp(current, "peak") != 0)
        return yaml_complain(node, e, "current_is: '%s' is neither peak nor rms", current);
    if ((code = yaml_get_int64(root, "full_steps_per_rev", true, 4, 100000, "", &steps, e)) != ERR_OK ||
        (code = yaml_get_node(root, "full_steps_per_rev", true, &node, e)) != ERR_OK ||
        (code = yaml_get_double(root, "reduction", false, 0.01, 1000, "", &m->reduction, e)) != ERR_OK)
        return code;
    if (steps % 4 != 0)
        return yaml_complain(node, e,
                             "full_steps_per_rev: %d is no multiple of 4, the full steps of one electrical "
                             "cycle",
                             (int)steps);
    m->full_steps_per_rev = (int)steps;
    if ((code = check_end(root, e)) != ERR_OK)
        return code;
    return yaml_strict_finish(root, e);
}

static enum err_code read_document(struct yaml_document *document, struct predict_motor *m, struct err *e)
{
    enum err_code code = read_root(yaml_root(document), m, e);
    yaml_strict_free(document);
    return code;
}

enum err_code motor_file_read(const char *path, struct predict_motor *m, struct err *e)
{
    struct yaml_document *document = NULL;
    enum err_code code = yaml_strict_read(path, &document, e);
    memset(m, 0, sizeof *m);
    return code == ERR_OK ? read_document(document, m, e) : code;
}

enum err_code motor_file_parse(const char *text, size_t length, const char *name, struct predict_motor *m,
                               struct err *e)
{
    struct yaml_document *document = NULL;
    enum err_code code = yaml_strict_parse(text, length, name, &document, e);
    memset(m, 0, sizeof *m);
    return code == ERR_OK ? read_document(document, m, e) : code;
}
