/* What is said, and kept, of a calibration that was used in the place of the one in the series. All of it is
 * silent for series whose own calibration was used. */
#ifndef ANALYZE_REPORT_CALIBRATION_USED_H
#define ANALYZE_REPORT_CALIBRATION_USED_H

#include "analyze/analysis.h"
#include "analyze/report/json_build.h"
#include "rig/base/err.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdio.h>

#define CALIBRATION_USED_TEXT_SIZE 1600
#define CALIBRATION_USED_NAME_SIZE 40

/* session may be NULL: false. */
bool calibration_used_any(const struct session *session);

/* Sentences on series i: which file, of which date, with which hash, in the place of which, how far the two
 * are apart, and what was kept of the series' own. Plain text, foreign names as they are. Returns text; NULL
 * for a series whose own calibration was used. size: CALIBRATION_USED_TEXT_SIZE. */
char *calibration_used_text(const struct session *session, size_t i, char *text, size_t size);
/* The same for people, of all series, each a paragraph, cleaned for a terminal. session may be NULL. */
void calibration_used_put(const struct session *session, FILE *out);

/* The same of series i for a page: escaped, with the hash as code, which may be broken anywhere. */
void calibration_used_html(const struct session *session, size_t i, FILE *out);

/* Members for JSON: "calibration_used" of a series (file, sha256, date, inside_date, kept_from_series), and
 * "calibrations_used" of a whole result, with the number of the series in each. Nothing is set where there is
 * none; session may be NULL. */
void calibration_used_of_series(struct json_build *b, json_t *object, const struct series *series);
void calibration_used_of_session(struct json_build *b, json_t *object, const struct session *session);

/* The name under which a report keeps a copy beside its pages: "calibration-0123456789abcdef.json", by the
 * hash of its bytes, so that a name never stands for other bytes. hash: "sha256:..." with 64 hexadecimal
 * digits; false, and name empty, for anything else. name: CALIBRATION_USED_NAME_SIZE. */
bool calibration_used_name(const char *hash, char *name, size_t size);
/* Whether a report may have given a file this name. */
bool calibration_used_is_name(const char *name);
/* Whether a report on this session keeps one under this name. */
bool calibration_used_keeps(const struct session *session, const char *name);
/* Write the copies of all series into folder. ERR_SYSTEM. */
enum err_code calibration_used_write(const struct session *session, const char *folder, struct err *e);

#endif
