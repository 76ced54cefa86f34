#include "datasets/format/series_calibration.h"

#include "datasets/format/kept.h"

#include <assert.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

void series_calibration_free(struct series_calibration *other)
{
    if (other == NULL)
        return;
    free(other->bytes);
    free(other);
}

static double reading_at(const struct calibration *c, double load_n)
{
    return calibration_counts(c, load_n, c->coefficients[0]);
}

/* What the readings of one run say against the calibration. */
static enum err_code check_run(const struct series *s, const struct run_record *run,
                               const struct calibration *c, const char *path, struct err *e)
{
    double low = reading_at(c, c->load_low_n), high = reading_at(c, c->load_high_n);
    double least = (double)run->counts_min, most = (double)run->counts_max;
    const char *rig_serial = kept_text_or_empty(run->rig_serial);
    if (c->rig_serial[0] != 0 && strcmp(c->rig_serial, rig_serial) != 0)
        return err_set_at(e, ERR_FILE, path, 0, 0,
                          "this calibration is of rig %s, but run %d of %.200s was on rig %s", c->rig_serial,
                          run->number, s->folder, rig_serial);
    /* A stated zero is often nobody's reading, but no zero makes room for more than the whole range. */
    if (fabs(high - low) > most - least ||
        (strcmp(c->origin, "fitted") == 0 && (fmin(low, high) < least || fmax(low, high) > most)))
        return err_set_at(e, ERR_FILE, path, 0, 0,
                          "this calibration reads %.0f to %.0f counts from %g to %g N, but the converter of "
                          "run %d of %.200s has %.0f to %.0f: it is of another load cell or converter",
                          low, high, c->load_low_n, c->load_high_n, run->number, s->folder, least, most);
    return ERR_OK;
}

static bool states_feed(const struct calibration *c, const char *feeder)
{
    for (size_t i = 0; i < c->feed_count; i++) {
        if (strcmp(c->feeds[i].feeder, feeder) == 0)
            return true;
    }
    return false;
}

static bool is_planned(const struct plan *plan, const char *feeder)
{
    for (size_t i = 0; i < plan->feeder_count; i++) {
        if (strcmp(plan->feeders[i].name, feeder) == 0)
            return true;
    }
    return false;
}

/* Encoder and feeds that only the calibration inside states. */
static enum err_code keep_rest(const struct series *s, const char *path, struct calibration *c,
                               struct series_calibration *other, struct err *e)
{
    const struct calibration *inside = &s->calibration;
    if (c->encoder_mm_per_count == 0 && inside->encoder_mm_per_count != 0) {
        c->encoder_mm_per_count = inside->encoder_mm_per_count;
        c->encoder_standard_uncertainty_mm_per_count = inside->encoder_standard_uncertainty_mm_per_count;
        other->kept_encoder = true;
    }
    for (size_t i = 0; i < inside->feed_count; i++) {
        const struct calibration_feed *feed = &inside->feeds[i];
        if (states_feed(c, feed->feeder) || !is_planned(&s->plan, feed->feeder))
            continue;
        if (c->feed_count == CALIBRATION_FEEDS_MAX)
            return err_set_at(e, ERR_FILE, path, 0, 0,
                              "has the feeds of %d feeders, and no room for that of %s, which %.200s has",
                              CALIBRATION_FEEDS_MAX, feed->feeder, s->folder);
        memcpy(other->kept_feeds[other->kept_feed_count++], feed->feeder, sizeof feed->feeder);
        c->feeds[c->feed_count++] = *feed;
    }
    return ERR_OK;
}

static enum err_code take(struct series *s, const char *path, struct series_calibration *other, bool *same,
                          struct err *e)
{
    const struct calibration *inside = &s->calibration;
    const char *slash = strrchr(path, '/');
    struct calibration c;
    enum err_code code = file_bytes_read(path, CALIBRATION_BYTES_MAX, &other->bytes, &other->length, e);
    if (code == ERR_OK)
        code = file_bytes_hash_memory(other->bytes, other->length, path, other->hash, e);
    if (code == ERR_OK)
        code = calibration_parse(other->bytes, other->length, path, &c, e);
    *same = code == ERR_OK && strcmp(other->hash, s->calibration_hash) == 0;
    if (code != ERR_OK || *same)
        return code;
    for (size_t i = 0; code == ERR_OK && i < s->run_count; i++)
        code = check_run(s, &s->runs[i], &c, path, e);
    if (code == ERR_OK)
        code = keep_rest(s, path, &c, other, e);
    if (code != ERR_OK)
        return code;
    snprintf(other->name, sizeof other->name, "%s", slash == NULL ? path : slash + 1);
    memcpy(other->inside_date, inside->date, sizeof inside->date);
    other->inside_n = inside->load_high_n;
    other->here_n = calibration_force_n(&c, calibration_counts(inside, other->inside_n, 0), 0);
    s->calibration = c;
    return ERR_OK;
}

enum err_code series_calibration_use(struct series *s, const char *path, struct err *e)
{
    struct series_calibration *other = calloc(1, sizeof *other);
    bool same = false;
    enum err_code code;
    assert(s->other == NULL);
    if (other == NULL)
        return err_set_at(e, ERR_MEMORY, path, 0, 0, "no memory to read it");
    code = take(s, path, other, &same, e);
    if (code != ERR_OK || same) {
        series_calibration_free(other);
        return code;
    }
    s->other = other;
    return ERR_OK;
}
