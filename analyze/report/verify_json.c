#include "analyze/report/verify_show.h"

#include "analyze/report/json_build.h"

#define SCHEMA "nipbench-verify-1"

static json_t *finding(struct json_build *b, const struct verify_finding *f)
{
    json_t *o = json_object();
    json_build_set(b, o, "file", f->file[0] != 0 ? json_build_text(f->file) : json_null());
    json_build_set(b, o, "line", f->line > 0 ? json_integer(f->line) : json_null());
    json_build_set(b, o, "column", f->column > 0 ? json_integer(f->column) : json_null());
    json_build_set(b, o, "text", json_build_text(f->text));
    return o;
}

static json_t *series(struct json_build *b, const struct verify_series *s)
{
    json_t *o = json_object(), *findings = json_array();
    for (size_t i = 0; i < s->count; i++)
        json_build_append(b, findings, finding(b, &s->findings[i]));
    json_build_set(b, o, "folder", json_build_text(s->folder));
    json_build_set(b, o, "as_published", json_boolean(s->code == ERR_OK));
    json_build_set(b, o, "package_hash", s->hash[0] != 0 ? json_string(s->hash) : json_null());
    json_build_set(b, o, "files", json_build_count(s->files));
    json_build_set(b, o, "bytes", json_integer(s->bytes));
    json_build_set(b, o, "runs", json_build_count(s->runs));
    json_build_set(b, o, "wrong_runs", json_build_count(s->wrong_runs));
    json_build_set(b, o, "wrong_files", json_build_count(s->wrong_files));
    json_build_set(b, o, "findings", findings);
    return o;
}

enum err_code verify_json_write(const struct verify_answer *answer, FILE *out, struct err *e)
{
    struct json_build b = {false};
    json_t *root = json_object(), *all = json_array();
    bool good = true;
    int rc;
    for (size_t i = 0; i < answer->count; i++) {
        json_build_append(&b, all, series(&b, &answer->series[i]));
        good = good && answer->series[i].code == ERR_OK;
    }
    json_build_set(&b, root, "schema", json_string(SCHEMA));
    json_build_set(&b, root, "as_published", json_boolean(good));
    json_build_set(&b, root, "series", all);
    rc = b.failed ? -1 : json_dumpf(root, out, JSON_INDENT(2));
    fputc('\n', out);
    json_decref(root);
    return rc == 0 ? ERR_OK : err_set(e, ERR_MEMORY, "out of memory for the results");
}
