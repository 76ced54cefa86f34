# Our straight and quadratic calibrations of simulated weighings against R's lm, on the same readings.
source("tests/reference/figures.R")
points <- table_of("points")
fits <- table_of("fits")
near <- 1e-9

formula_of <- function(degree) if (degree == 2) reading ~ load + I(load^2) else reading ~ load

# Coefficients, standard errors and residual sd; with known variances the errors do not rest on the residuals.
summed_up <- function(fit, known) {
    s <- summary(fit)
    list(b = coef(fit), se = s$coefficients[, 2] / if (known) s$sigma else 1, sd = s$sigma, df = fit$df.residual)
}

# The scatter of a reading that brings the weighted squares to their degrees of freedom, the loads' own errors given.
weighted_by_load <- function(p, degree) {
    slope <- coef(lm(reading ~ load, data = p))[["load"]]
    loads <- sort(unique(p$load))
    one <- data.frame(load = loads, reading = sapply(loads, function(x) mean(p$reading[p$load == x])),
        m = sapply(loads, function(x) sum(p$load == x)), u = sapply(loads, function(x) max(p$u[p$load == x])))
    within <- sum((p$reading - ave(p$reading, p$load))^2)
    df <- nrow(p) - degree - 1
    fit_at <- function(s) {
        one$w <- 1 / (s^2 / one$m + slope^2 * one$u^2)
        lm(formula_of(degree), data = one, weights = w)
    }
    excess <- function(log_s) {
        s <- exp(log_s)
        deviance(fit_at(s)) + within / s^2 - df
    }
    most <- log(summary(lm(formula_of(degree), data = p))$sigma)
    s <- exp(uniroot(excess, c(most - 12, most), tol = 1e-15, maxiter = 1000)$root)
    found <- summed_up(fit_at(s), TRUE)
    found$sd <- s
    found$df <- df
    found
}

theirs <- function(p, by, degree) {
    switch(by,
        plain = , calibration = summed_up(lm(formula_of(degree), data = p), FALSE),
        weights = summed_up(lm(formula_of(degree), data = p, weights = weight), FALSE),
        known = summed_up(lm(formula_of(degree), data = p, weights = weight), TRUE),
        calibration_weighted = weighted_by_load(p, degree))
}

for (by in c("plain", "weights", "known", "calibration", "calibration_weighted")) {
    for (degree in 1:2) {
        mine <- fits[fits$by == by & fits$degree == degree, ]
        their <- lapply(mine$case, function(i) theirs(points[points$case == i, ], by, degree))
        columns <- seq_len(degree + 1)
        all_of <- function(what) unlist(lapply(their, function(x) x[[what]]))
        name <- function(what) sprintf("%s, degree %d: %s, relative difference from lm", by, degree, what)
        figure(name("coefficients"), apart(c(t(mine[, c("b0", "b1", "b2")[columns]])), all_of("b")), 0, near,
            nrow(mine))
        figure(name("standard errors"), apart(c(t(mine[, c("s0", "s1", "s2")[columns]])), all_of("se")), 0, near,
            nrow(mine))
        figure(name("residual sd"), apart(mine$sd, all_of("sd")), 0, near, nrow(mine))
        figure(name("degrees of freedom"), apart(mine$df, all_of("df")), 0, 0, nrow(mine))
    }
}
end_figures()
