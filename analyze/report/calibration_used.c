#include "analyze/report/calibration_used.h"

#include "analyze/report/text_format.h"
#include "datasets/format/series_calibration.h"

#include <limits.h>
#include <stdarg.h>
#include <string.h>

#define PREFIX "calibration-"
#define ENDING ".json"
/* Of the hash in a name: no two calibrations of one bench will share so many. */
#define NAME_DIGITS 16
#define HEX         "0123456789abcdef"

static const struct series_calibration *other_of(const struct session *session, size_t i)
{
    return session->series[i]->other;
}

bool calibration_used_any(const struct session *session)
{
    for (size_t i = 0; session != NULL && i < session->series_count; i++) {
        if (other_of(session, i) != NULL)
            return true;
    }
    return false;
}

static void add(char *text, size_t size, const char *format, ...) __attribute__((format(printf, 3, 4)));
static void add(char *text, size_t size, const char *format, ...)
{
    size_t length = strlen(text);
    va_list arguments;
    va_start(arguments, format);
    vsnprintf(text + length, size - length, format, arguments);
    va_end(arguments);
}

/* "The encoder, and the feed of a and b, which it does not state, are those of the series." */
static void add_kept(const struct series_calibration *other, char *text, size_t size)
{
    bool several = other->kept_encoder + other->kept_feed_count > 1;
    if (!other->kept_encoder && other->kept_feed_count == 0)
        return;
    add(text, size, other->kept_encoder ? " The encoder%s" : " The%s",
        other->kept_encoder && other->kept_feed_count > 0 ? " and the" : "");
    for (size_t i = 0; i < other->kept_feed_count; i++)
        add(text, size, "%s %s",
            i == 0                           ? " feed of"
            : i + 1 < other->kept_feed_count ? ","
                                             : " and",
            other->kept_feeds[i]);
    add(text, size, ", which it does not state, %s the series' own.", several ? "are" : "is");
}

char *calibration_used_text(const struct session *session, size_t i, char *text, size_t size)
{
    const struct series_calibration *other = other_of(session, i);
    const struct calibration *used = &session->series[i]->calibration;
    char here[48], inside[48];
    text[0] = 0;
    if (other == NULL)
        return NULL;
    if (session->series_count > 1)
        add(text, size, "Series %zu: forces", i + 1);
    else
        add(text, size, "Forces");
    add(text, size,
        " come from %s, a calibration of %s (%s), and not from the one in the series, which is of %s. What "
        "that takes for %s N is %s N by this one.",
        other->name, used->date, other->hash, other->inside_date,
        text_number(other->inside_n, 6, inside, sizeof inside),
        text_number(other->here_n, 6, here, sizeof here));
    add_kept(other, text, size);
    return text;
}

void calibration_used_put(const struct session *session, FILE *out)
{
    char text[CALIBRATION_USED_TEXT_SIZE], clean[2 * CALIBRATION_USED_TEXT_SIZE];
    for (size_t i = 0; session != NULL && i < session->series_count; i++) {
        if (calibration_used_text(session, i, text, sizeof text) != NULL)
            fprintf(out, "%s\n", text_clean(text, clean, sizeof clean));
    }
}

void calibration_used_html(const struct session *session, size_t i, FILE *out)
{
    char text[CALIBRATION_USED_TEXT_SIZE], *hash;
    if (calibration_used_text(session, i, text, sizeof text) == NULL)
        return;
    hash = strstr(text, other_of(session, i)->hash);
    if (hash == NULL) {
        text_html(out, text);
        return;
    }
    *hash = 0;
    text_html(out, text);
    fputs("<code>", out);
    text_html(out, other_of(session, i)->hash);
    fputs("</code>", out);
    text_html(out, hash + strlen(other_of(session, i)->hash));
}

static void set_members(struct json_build *b, json_t *object, const struct series *series)
{
    const struct series_calibration *other = series->other;
    json_t *kept = json_array();
    json_build_set(b, object, "file", json_build_text(other->name));
    json_build_set(b, object, "sha256", json_build_text(other->hash));
    json_build_set(b, object, "date", json_build_text(series->calibration.date));
    json_build_set(b, object, "inside_date", json_build_text(other->inside_date));
    if (other->kept_encoder)
        json_build_append(b, kept, json_string("encoder"));
    for (size_t i = 0; i < other->kept_feed_count; i++) {
        char text[64];
        snprintf(text, sizeof text, "feed of %s", other->kept_feeds[i]);
        json_build_append(b, kept, json_build_text(text));
    }
    json_build_set(b, object, "kept_from_series", kept);
}

void calibration_used_of_series(struct json_build *b, json_t *object, const struct series *series)
{
    json_t *used;
    if (series->other == NULL)
        return;
    used = json_object();
    set_members(b, used, series);
    json_build_set(b, object, "calibration_used", used);
}

void calibration_used_of_session(struct json_build *b, json_t *object, const struct session *session)
{
    json_t *all;
    if (!calibration_used_any(session))
        return;
    all = json_array();
    for (size_t i = 0; i < session->series_count; i++) {
        json_t *one;
        if (other_of(session, i) == NULL)
            continue;
        one = json_object();
        json_build_set(b, one, "series", json_build_count(i + 1));
        set_members(b, one, session->series[i]);
        json_build_append(b, all, one);
    }
    json_build_set(b, object, "calibrations_used", all);
}

bool calibration_used_name(const char *hash, char *name, size_t size)
{
    static const char kind[] = "sha256:";
    name[0] = 0;
    if (strncmp(hash, kind, sizeof kind - 1) != 0)
        return false;
    hash += sizeof kind - 1;
    if (strlen(hash) != 64 || strspn(hash, HEX) != 64)
        return false;
    snprintf(name, size, PREFIX "%.*s" ENDING, NAME_DIGITS, hash);
    return true;
}

bool calibration_used_is_name(const char *name)
{
    const size_t prefix = sizeof PREFIX - 1;
    return strncmp(name, PREFIX, prefix) == 0 && strspn(name + prefix, HEX) == NAME_DIGITS &&
           strcmp(name + prefix + NAME_DIGITS, ENDING) == 0;
}

bool calibration_used_keeps(const struct session *session, const char *name)
{
    for (size_t i = 0; i < session->series_count; i++) {
        char own[CALIBRATION_USED_NAME_SIZE];
        if (other_of(session, i) != NULL &&
            calibration_used_name(other_of(session, i)->hash, own, sizeof own) && strcmp(own, name) == 0)
            return true;
    }
    return false;
}

enum err_code calibration_used_write(const struct session *session, const char *folder, struct err *e)
{
    enum err_code code = ERR_OK;
    for (size_t i = 0; i < session->series_count && code == ERR_OK; i++) {
        const struct series_calibration *other = other_of(session, i);
        char path[PATH_MAX], name[CALIBRATION_USED_NAME_SIZE];
        if (other == NULL || !calibration_used_name(other->hash, name, sizeof name))
            continue;
        if (snprintf(path, sizeof path, "%s/%s", folder, name) >= (int)sizeof path)
            return err_set_at(e, ERR_USAGE, folder, 0, 0, "the path is too long");
        code = file_bytes_write_with(path, other->bytes, other->length, FILE_BYTES_MADE_AGAIN, e);
    }
    return code;
}
