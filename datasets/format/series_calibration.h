/* Another calibration for a series that was opened: a better one re-analyses old runs, and the series stays
 * as it is, with the calibration that it holds. */
#ifndef DATASETS_FORMAT_SERIES_CALIBRATION_H
#define DATASETS_FORMAT_SERIES_CALIBRATION_H

#include "datasets/format/calibration.h"
#include "datasets/format/file_bytes.h"
#include "datasets/format/series.h"
#include "rig/base/err.h"

#include <stdbool.h>
#include <stddef.h>

#define SERIES_CALIBRATION_NAME_SIZE 256

/* Where the calibration of a series comes from when it is not the one inside. */
struct series_calibration {
    char name[SERIES_CALIBRATION_NAME_SIZE]; /* of the file, without its folder */
    char hash[FILE_BYTES_HASH_SIZE];         /* of its bytes */
    char *bytes;                             /* the file itself, length of them */
    size_t length;
    char inside_date[40]; /* of the calibration in the series */
    /* The greatest load that the one inside was calibrated to, and what its reading there is by this one. */
    double inside_n, here_n;
    /* What the file does not state is kept from the series: */
    bool kept_encoder;
    char kept_feeds[CALIBRATION_FEEDS_MAX][33]; /* of these feeders */
    size_t kept_feed_count;
};

/* Read the calibration at path and let it take the place of that of s, whose other then tells of it. As where
 * weights go into a calibration, encoder and feeds (of feeders of the plan) that it does not state stay those
 * of the series. A file of the very bytes of the series' own changes nothing, and other stays NULL. Once for
 * a series.
 *
 * ERR_FILE, s being as it was: it cannot be read, or it cannot be of the load cell that these runs were
 * measured with: it is of another rig; its load range is wider than the converter's range of a run; or it was
 * fitted, and readings that were weighed lie beyond that range. */
enum err_code series_calibration_use(struct series *s, const char *path, struct err *e);

/* NULL is fine. */
void series_calibration_free(struct series_calibration *other);

#endif
