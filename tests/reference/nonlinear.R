# Our nonlinear fits against R's nls, on the same points from the same start.
source("tests/reference/figures.R")
points <- table_of("points")
fits <- table_of("fits")
near <- 1e-5 # of a standard error: R goes as far as its rounding lets it, which may leave it 1e-6 from ours

# With exact derivatives, as ours have: differences would be good for a few digits of the errors only.
pull_out <- deriv(~b1 / sqrt(1 + x^2 * b3^2) - b2 * x / (1 + x^2 * b3^2), c("b1", "b2", "b3"),
    function(x, b1, b2, b3) NULL)
rise <- deriv(~b1 * (1 - exp(-b2 * x)), c("b1", "b2"), function(x, b1, b2) NULL)
ratio <- deriv(~(b1 + b2 * x + b3 * x^2 + b4 * x^3) / (1 + b5 * x + b6 * x^2 + b7 * x^3), paste0("b", 1:7),
    function(x, b1, b2, b3, b4, b5, b6, b7) NULL)
formulas <- list(Misra1a = y ~ rise(x, b1, b2), Thurber = y ~ ratio(x, b1, b2, b3, b4, b5, b6, b7),
    torque = y ~ pull_out(x, b1, b2, b3), torque_weighted = y ~ pull_out(x, b1, b2, b3))

# The better of R's two searches from that start, then its Gauss-Newton steps as far as rounding lets them go: they are
# not asked to call that convergence, which near the smallest sum of squares is a matter of luck.
best_of_r <- function(formula, p, start) {
    search <- function(start, ...) tryCatch(suppressWarnings(nls(formula, data = p, start = start,
        weights = weight, ...)), error = function(e) NULL)
    found <- Filter(Negate(is.null), list(search(start, control = nls.control(maxiter = 500)),
        search(start, algorithm = "port", control = nls.control(maxiter = 500))))
    if (length(found) == 0)
        return(NULL)
    best <- found[[which.min(sapply(found, deviance))]]
    search(as.list(coef(best)), control = nls.control(tol = 1e-12, maxiter = 200, minFactor = 1e-12, warnOnly = TRUE))
}

for (case in names(formulas)) {
    ours <- fits[fits$case == case, ]
    p <- points[points$case == case, ]
    found <- best_of_r(formulas[[case]], p, as.list(setNames(ours$start, ours$parameter)))
    name <- function(what) paste0(case, ": ", what)
    if (is.null(found)) {
        figure(name("nls found a fit"), 0, 1, 1, nrow(p))
        next
    }
    s <- summary(found)
    figure(name("parameters, greatest difference over nls's standard error"),
        max(abs(ours$value - s$coefficients[, 1]) / s$coefficients[, 2]), 0, near, nrow(p))
    figure(name("standard errors, relative difference from nls"), apart(ours$se, s$coefficients[, 2]), 0, near,
        nrow(p))
    figure(name("residual sd, relative difference from nls"), apart(ours$sd[1], s$sigma), 0, 1e-9, nrow(p))
    figure(name("degrees of freedom less nls's"), abs(ours$df[1] - df.residual(found)), 0, 0, nrow(p))
}
end_figures()
