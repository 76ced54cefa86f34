#include "analyze/report/calibration_used.h"

#include "analyze/report/report_html.h"
#include "datasets/format/series_calibration.h"
#include "tests/analyze/report/fixture_session.h"
#include "tests/analyze/report/page_checks.h"
#include "tests/datasets/scratch.h"

#include <criterion/criterion.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define HASH "sha256:0123456789abcdef0123456789abcdef0123456789abcdef0123456789abcdef"

static struct session *session;
static struct series_calibration other;
static char text[CALIBRATION_USED_TEXT_SIZE];
static struct err e;

static void begin(void)
{
    static char bytes[] = "{\"schema\": \"x\"}";
    session = fixture_session(false);
    cr_assert_not_null(session);
    other = (struct series_calibration){.name = "better.json",
                                        .hash = HASH,
                                        .bytes = bytes,
                                        .length = sizeof bytes - 1,
                                        .inside_date = "2026-01-17",
                                        .inside_n = 200,
                                        .here_n = 198.71234};
}

static void end(void)
{
    session->series[0]->other = NULL;
    fixture_session_free(session);
}

TestSuite(calibration_used, .init = begin, .fini = end);

/* What f writes with a FILE; the caller frees it. */
static char *written(void (*f)(const struct session *, FILE *))
{
    char *all = NULL;
    size_t length;
    FILE *out = open_memstream(&all, &length);
    f(session, out);
    fclose(out);
    return all;
}

Test(calibration_used, nothing_is_said_of_the_calibration_inside)
{
    struct json_build b = {false};
    json_t *object = json_object();
    char *put = written(calibration_used_put);
    cr_expect_not(calibration_used_any(session));
    cr_expect_not(calibration_used_any(NULL));
    cr_expect_null(calibration_used_text(session, 0, text, sizeof text));
    cr_expect_str_eq(put, "");
    calibration_used_of_series(&b, object, session->series[0]);
    calibration_used_of_session(&b, object, session);
    calibration_used_of_session(&b, object, NULL);
    cr_expect_eq(json_object_size(object), 0);
    cr_expect_not(calibration_used_keeps(session, "calibration-0123456789abcdef.json"));
    json_decref(object);
    free(put);
}

Test(calibration_used, the_sentence_names_file_dates_hash_and_change)
{
    session->series[0]->other = &other;
    cr_assert(calibration_used_any(session));
    cr_assert_not_null(calibration_used_text(session, 0, text, sizeof text));
    cr_expect_str_eq(text,
                     "Forces come from better.json, a calibration of 2026-03-02T09:14:00Z (" HASH
                     "), and not from the one in the series, which is of 2026-01-17. What that takes for "
                     "200 N is 198.712 N by this one.");
}

Test(calibration_used, what_was_kept_of_the_series_is_said)
{
    static const struct {
        bool encoder;
        size_t feeds;
        const char *says, *last;
    } rows[] = {
        {true, 0, " The encoder, which it does not state, is the series' own.", "encoder"},
        {false, 1, " The feed of a, which it does not state, is the series' own.", "feed of a"},
        {true, 1, " The encoder and the feed of a, which it does not state, are the series' own.",
         "feed of a"},
        {false, 2, " The feed of a and b, which it does not state, are the series' own.", "feed of b"},
        {true, 3, " The encoder and the feed of a, b and c, which it does not state, are the series' own.",
         "feed of c"},
    };
    session->series[0]->other = &other;
    for (size_t i = 0; i < 3; i++)
        snprintf(other.kept_feeds[i], sizeof other.kept_feeds[i], "%c", (char)('a' + (int)i));
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        struct json_build b = {false};
        json_t *object = json_object();
        const json_t *kept;
        other.kept_encoder = rows[i].encoder;
        other.kept_feed_count = rows[i].feeds;
        calibration_used_text(session, 0, text, sizeof text);
        cr_expect(strstr(text, rows[i].says) != NULL, "%s", text);
        calibration_used_of_series(&b, object, session->series[0]);
        kept = json_object_get(json_object_get(object, "calibration_used"), "kept_from_series");
        cr_assert_eq(json_array_size(kept), rows[i].feeds + rows[i].encoder);
        cr_expect_str_eq(json_string_value(json_array_get(kept, json_array_size(kept) - 1)), rows[i].last);
        json_decref(object);
    }
}

Test(calibration_used, the_page_holds_together_with_it)
{
    char *page;
    session->series[0]->other = &other;
    page = page_output(session, OUTPUT_HTML);
    page_expect_well_formed(page);
    page_expect_unique_ids(page);
    cr_expect_eq(page_count(page, "Forces come from better.json"), 2, "uncertainty and provenance");
    cr_expect_eq(page_count(page, "calibration in the series, less the run"), 0);
    cr_expect_eq(page_count(page, "<td><code>calibration-0123456789abcdef.json</code></td>"), 1);
    cr_expect_eq(
        page_count(page, " --calibration report/calibration-0123456789abcdef.json series --out report"), 1);
    cr_expect_eq(page_count(page, "(<code>" HASH "</code>)"), 2);
    free(page);
}

/* Names of files and feeders come from anywhere. */
Test(calibration_used, a_hostile_name_reaches_neither_page_nor_terminal)
{
    char *put, *page;
    session->series[0]->other = &other;
    snprintf(other.name, sizeof other.name, "\033[31m<script>alert(1)</script>`id`.json");
    put = written(calibration_used_put);
    cr_expect(strchr(put, '\033') == NULL && strstr(put, "<script>") != NULL, "%s", put);
    free(put);
    page = written(html_uncertainty);
    cr_expect(strstr(page, "<script>") == NULL && strstr(page, "&lt;script&gt;") != NULL, "%.900s", page);
    free(page);
}

Test(calibration_used, a_name_is_made_of_the_hash_and_of_nothing_else)
{
    static const char *const bad[] = {
        "",
        "sha256:",
        "sha256:../../x",
        "sha512:0123456789abcdef0123456789abcdef0123456789abcdef0123456789abcdef",
        "sha256:0123456789ABCDEF0123456789abcdef0123456789abcdef0123456789abcdef",
        HASH "0",
        HASH "x"};
    static const char *const not_ours[] = {
        "calibration-2026-11-20.json",           "calibration.json",
        "calibration-0123456789abcde.json",      "calibration-0123456789abcdef0.json",
        "calibration-0123456789abcdef.json.tmp", "calibration-0123456789abcdeF.json"};
    char name[CALIBRATION_USED_NAME_SIZE];
    cr_assert(calibration_used_name(HASH, name, sizeof name));
    cr_expect_str_eq(name, "calibration-0123456789abcdef.json");
    cr_expect(calibration_used_is_name(name));
    for (size_t i = 0; i < sizeof bad / sizeof bad[0]; i++)
        cr_expect(!calibration_used_name(bad[i], name, sizeof name) && name[0] == 0, "%s", bad[i]);
    for (size_t i = 0; i < sizeof not_ours / sizeof not_ours[0]; i++)
        cr_expect(!calibration_used_is_name(not_ours[i]), "%s", not_ours[i]);
}

Test(calibration_used, the_copy_is_the_bytes_that_were_read)
{
    char *copy, folder[1024];
    scratch_begin();
    snprintf(folder, sizeof folder, "%s", scratch_path("."));
    session->series[0]->other = &other;
    cr_assert_eq(calibration_used_write(session, folder, &e), ERR_OK, "%s", e.text);
    copy = scratch_read("calibration-0123456789abcdef.json");
    cr_expect_str_eq(copy, other.bytes);
    cr_expect(calibration_used_keeps(session, "calibration-0123456789abcdef.json"));
    cr_expect_not(calibration_used_keeps(session, "calibration-1123456789abcdef.json"));
    free(copy);
    cr_expect_eq(calibration_used_write(session, "/nonexistent/folder", &e), ERR_SYSTEM);
    scratch_end();
}
