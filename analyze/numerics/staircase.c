#include "analyze/numerics/staircase.h"

#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

/* Places within a count at which the staircase begins, evenly spread. */
#define BEGINNINGS 32u

double staircase_between(const double *residuals, size_t n)
{
    size_t size = n / STAIRCASE_BLOCKS;
    double between = 0;
    if (size < 4)
        return 0;
    for (size_t b = 0; b < STAIRCASE_BLOCKS; b++) {
        double sum = 0;
        for (size_t i = b * size; i < (b + 1) * size; i++)
            sum += residuals[i];
        between += sum * sum / (double)size / STAIRCASE_BLOCKS;
    }
    return between;
}

/* What rounding adds to each row's mean, the staircase beginning at that part of a count. */
static void round_all(const struct staircase_input *in, double beginning, gsl_rng *draws, double *off)
{
    for (size_t i = 0; i < in->n; i++) {
        const double *position = in->positions + i * in->samples_per_row;
        off[i] = 0;
        for (size_t j = 0; j < in->samples_per_row; j++) {
            double before = position[j];
            if (in->dither > 0)
                before += gsl_ran_gaussian_ziggurat(draws, in->dither);
            off[i] += floor(before + beginning) + 0.5 - beginning - before;
        }
        off[i] /= (double)in->samples_per_row;
    }
}

enum err_code staircase_rounding(const struct staircase_input *in, struct staircase *out, struct err *e)
{
    double *off = malloc((in->n + 1) * sizeof *off);
    gsl_rng *draws = gsl_rng_alloc(gsl_rng_taus2);
    memset(out, 0, sizeof *out);
    if (off == NULL || draws == NULL || in->p > LINEAR_FIT_COLUMNS_MAX) {
        free(off);
        if (draws != NULL)
            gsl_rng_free(draws);
        return in->p > LINEAR_FIT_COLUMNS_MAX ? err_set(e, ERR_CALLER, "too many columns")
                                              : err_set(e, ERR_MEMORY, "not enough memory for the staircase");
    }
    gsl_rng_set(draws, 1);
    for (size_t draw = 0; draw < BEGINNINGS; draw++) {
        double product[LINEAR_FIT_COLUMNS_MAX] = {0}, moved[LINEAR_FIT_COLUMNS_MAX] = {0}, square = 0;
        round_all(in, ((double)draw + 0.5) / BEGINNINGS, draws, off);
        for (size_t i = 0; i < in->n; i++) {
            for (size_t j = 0; j < in->p; j++)
                product[j] += in->rows[i * in->p + j] * off[i];
        }
        for (size_t j = 0; j < in->p; j++) {
            for (size_t k = 0; k < in->p; k++)
                moved[j] += in->inverse[j][k] * product[k];
        }
        for (size_t j = 0; j < in->p; j++) {
            for (size_t k = 0; k < in->p; k++)
                out->covariance[j][k] += moved[j] * moved[k] / BEGINNINGS;
        }
        for (size_t i = 0; i < in->n; i++) {
            for (size_t j = 0; j < in->p; j++)
                off[i] -= in->rows[i * in->p + j] * moved[j];
            square += off[i] * off[i];
        }
        out->variance += square / ((double)(in->n - in->p) * BEGINNINGS);
        out->between += staircase_between(off, in->n) / BEGINNINGS;
    }
    gsl_rng_free(draws);
    free(off);
    return ERR_OK;
}
