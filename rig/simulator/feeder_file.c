#include "rig/simulator/feeder_file.h"

#include "datasets/format/yaml_strict.h"
#include "rig/simulator/feeder_fields.h"
#include "rig/simulator/rig_run.h"

#include <string.h>

static enum err_code read_end(const struct yaml_node *section, const struct feeder_field *f,
                              struct model_parameters *p, struct err *e)
{
    char word[32] = "";
    const struct yaml_node *node;
    enum err_code code = yaml_get_node(section, f->key, false, &node, e);
    if (code != ERR_OK || node == NULL)
        return code;
    code = yaml_get_text(section, f->key, true, word, sizeof word, e);
    for (int end = MODEL_END_BLOCKED; code == ERR_OK && end <= MODEL_END_HOT; end++)
        if (strcmp(word, RIG_END_NAMES[end]) == 0) {
            *feeder_field_end(p, f) = (enum model_end)end;
            return ERR_OK;
        }
    if (code == ERR_OK)
        code = yaml_complain(node, e, "%s: '%s' is none of blocked, free, brake and hot", f->key, word);
    return code;
}

static enum err_code read_field(const struct yaml_node *section, const struct feeder_field *f,
                                struct model_parameters *p, struct err *e)
{
    int64_t whole;
    enum err_code code;
    switch (f->kind) {
    case FEEDER_DOUBLE:
        return yaml_get_double(section, f->key, false, f->low, f->high, f->unit, feeder_field_double(p, f),
                               e);
    case FEEDER_BOOL:
        return yaml_get_bool(section, f->key, false, feeder_field_bool(p, f), e);
    case FEEDER_END:
        return read_end(section, f, p, e);
    case FEEDER_INT:
        whole = *feeder_field_int(p, f);
        code = yaml_get_int64(section, f->key, false, (int64_t)f->low, (int64_t)f->high, f->unit, &whole, e);
        if (code == ERR_OK)
            *feeder_field_int(p, f) = (int)whole;
        return code;
    case FEEDER_INT32:
        whole = *feeder_field_int32(p, f);
        code = yaml_get_int64(section, f->key, false, (int64_t)f->low, (int64_t)f->high, f->unit, &whole, e);
        if (code == ERR_OK)
            *feeder_field_int32(p, f) = (int32_t)whole;
        return code;
    }
    return ERR_OK;
}

static enum err_code read_sections(const struct yaml_node *root, struct model_parameters *p, struct err *e)
{
    for (size_t i = 0; i < feeder_field_count;) {
        const char *name = feeder_fields[i].section;
        const struct yaml_node *section;
        enum err_code code = yaml_get_node(root, name, false, &section, e);
        if (code != ERR_OK)
            return code;
        for (; i < feeder_field_count && strcmp(feeder_fields[i].section, name) == 0; i++) {
            if (section == NULL)
                continue;
            code = read_field(section, &feeder_fields[i], p, e);
            if (code != ERR_OK)
                return code;
        }
        if (section != NULL && (code = yaml_strict_finish(section, e)) != ERR_OK)
            return code;
    }
    return ERR_OK;
}

static enum err_code read_root(const struct yaml_node *root, struct model_parameters *p, struct err *e)
{
    bool end = false;
    enum err_code code = yaml_get_text(root, "name", true, p->name, sizeof p->name, e);
    if (code == ERR_OK)
        code = read_sections(root, p, e);
    /* Asked for before yaml_strict_finish, complained of after it: of a misspelt key and a missing end the
     * first is the better message. */
    if (code == ERR_OK)
        code = yaml_get_bool(root, "end", false, &end, e);
    if (code == ERR_OK)
        code = yaml_strict_finish(root, e);
    if (code != ERR_OK)
        return code;
    if (!end || strcmp(yaml_key(root, yaml_length(root) - 1), "end") != 0)
        return yaml_complain(root, e,
                             "the last line must be 'end: true'; without it the file may be cut short");
    const char *problem = model_check(p);
    if (problem != NULL)
        return yaml_complain(root, e, "feeder %s cannot be simulated: %s", p->name, problem);
    return ERR_OK;
}

enum err_code feeder_file_read(const char *path, struct model_parameters *p, struct err *e)
{
    struct yaml_document *document = NULL;
    struct model_parameters read = model_default();
    enum err_code code = yaml_strict_read(path, &document, e);
    if (code != ERR_OK)
        return code;
    code = read_root(yaml_root(document), &read, e);
    yaml_strict_free(document);
    if (code == ERR_OK)
        *p = read;
    return code;
}

static bool same_field(struct model_parameters a, struct model_parameters b, const struct feeder_field *f)
{
    switch (f->kind) {
    case FEEDER_DOUBLE: {
        const double x = *feeder_field_double(&a, f);
        const double y = *feeder_field_double(&b, f);
        return !(x < y) && !(x > y);
    }
    case FEEDER_INT:
        return *feeder_field_int(&a, f) == *feeder_field_int(&b, f);
    case FEEDER_INT32:
        return *feeder_field_int32(&a, f) == *feeder_field_int32(&b, f);
    case FEEDER_BOOL:
        return *feeder_field_bool(&a, f) == *feeder_field_bool(&b, f);
    case FEEDER_END:
        return *feeder_field_end(&a, f) == *feeder_field_end(&b, f);
    }
    return true;
}

enum err_code feeder_file_check_together(const struct model_parameters *feeders, size_t count, struct err *e)
{
    for (size_t i = 1; i < count; i++) {
        for (size_t j = 0; j < i; j++)
            if (strcmp(feeders[i].name, feeders[j].name) == 0)
                return err_set(e, ERR_FILE, "two feeders are called '%s': the host could not tell them apart",
                               feeders[i].name);
        for (size_t k = 0; k < feeder_field_count; k++) {
            const struct feeder_field *f = &feeder_fields[k];
            const bool of_the_rig = strcmp(f->section, "sensor") == 0 || strcmp(f->key, "microsteps") == 0;
            if (of_the_rig && !same_field(feeders[0], feeders[i], f))
                return err_set(
                    e, ERR_FILE,
                    "feeders '%s' and '%s' differ in %s.%s, which belongs to the rig and must be the same",
                    feeders[0].name, feeders[i].name, f->section, f->key);
        }
    }
    return ERR_OK;
}
