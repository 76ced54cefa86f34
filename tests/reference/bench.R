# Our split of a variance and our repeatability and reproducibility against R's, on the same numbers: sums of squares
# from aov, variances of balanced layouts from lme4's restricted maximum likelihood, expectations of unbalanced ones
# from projections written out as whole matrices, ISO 5725-2 by its formulas, critical values by qf and qt. Grubbs'
# test of two has no quantile in R: there the share of drawn sets below our critical value is held to its probability.
source("tests/reference/figures.R")
suppressPackageStartupMessages(library(lme4))
near <- 1e-8
values <- table_of("values")
splits <- table_of("splits")
ends_apart <- function(ours, theirs) { # of intervals, where there is one, in both
    if (any(is.finite(ours) != is.finite(theirs)))
        return(NA)
    apart(ours[is.finite(ours)], theirs[is.finite(theirs)])
}

factors_of <- function(case) {
    d <- values[values$case == case, ]
    names <- paste0("f", seq_len(splits$factors[splits$case == case][1]))
    d[names] <- lapply(d[names], factor)
    list(data = d, names = names)
}

sums_of <- function(case) {
    l <- factors_of(case)
    summary(aov(reformulate(l$names, "value"), l$data))[[1]]
}
tables <- lapply(unique(splits$case), sums_of)
all_of <- function(column) unlist(lapply(tables, function(t) t[[column]]))
figure("degrees of freedom, relative difference from aov", apart(splits$df, all_of("Df")), 0, 0, nrow(splits))
figure("sums of squares, relative difference from aov", apart(splits$ss, all_of("Sum Sq")), 0, near, nrow(splits))
figure("mean squares, relative difference from aov", apart(splits$ms, all_of("Mean Sq")), 0, near, nrow(splits))

# Expected sums of squares by projections: how much of each variance each holds.
split_of <- function(case) {
    l <- factors_of(case)
    y <- l$data$value
    blocks <- lapply(l$names, function(f) model.matrix(~ 0 + l$data[[f]]))
    base <- function(x) { q <- qr(x, LAPACK = FALSE); qr.Q(q)[, seq_len(q$rank), drop = FALSE] }
    x <- matrix(1, length(y), 1)
    before <- tcrossprod(base(x))
    count <- length(blocks)
    held <- matrix(0, count + 1, count + 1)
    df <- square <- numeric(count + 1)
    for (f in seq_len(count)) {
        x <- cbind(x, blocks[[f]])
        after <- tcrossprod(base(x))
        step <- after - before
        df[f] <- round(sum(diag(step)))
        square[f] <- sum((step %*% y)^2)
        for (g in f:count)
            held[f, g] <- sum((step %*% blocks[[g]])^2)
        before <- after
    }
    df[count + 1] <- length(y) - round(sum(diag(before)))
    square[count + 1] <- sum((y - before %*% y)^2)
    held[, count + 1] <- df
    ms <- square / df
    expected <- held / df
    inverse <- solve(expected)          # each variance as a sum of mean squares
    variance <- drop(inverse %*% ms)
    vdf <- variance^2 / drop(inverse^2 %*% (ms^2 / df))
    known <- variance > 0 & vdf >= 1
    low <- ifelse(known, vdf * variance / qchisq(0.975, vdf), NaN)
    high <- ifelse(known, vdf * variance / qchisq(0.025, vdf), NaN)
    f <- fdf <- p <- rep(NaN, count + 1)
    for (i in seq_len(count)) {
        weights <- -inverse[i, ] / inverse[i, i]
        weights[i] <- 0
        error <- sum(weights * ms)
        if (error <= 0)
            next
        fdf[i] <- error^2 / sum((weights * ms)^2 / df)
        f[i] <- ms[i] / error
        p[i] <- pf(f[i], df[i], fdf[i], lower.tail = FALSE)
    }
    positive <- pmax(0, variance)
    data.frame(case, variance, vdf, low, high, f, fdf, p, share = positive / sum(positive), total = sum(positive))
}
theirs <- do.call(rbind, lapply(unique(splits$case), split_of))
cat(sprintf("%d of %d layouts are unbalanced; %d of %d variances are negative\n",
    length(unique(values$case[values$balanced == 0])), length(unique(splits$case)), sum(theirs$variance < 0),
    nrow(theirs)))
# A variance is a difference of mean squares, and may be next to nothing: over the total.
figure("variances, difference from R over the total variance", max(abs(splits$variance - theirs$variance) /
    theirs$total), 0, near, nrow(splits))
figure("shares, difference from R", max(abs(splits$share - theirs$share)), 0, near, nrow(splits))
# These hang on how near to nothing a variance is, so that fewer digits are asked for.
figure("degrees of freedom of variances, relative difference from R", apart(splits$vdf, theirs$vdf), 0, 1e-6,
    nrow(splits))
figure("F, relative difference from R", ends_apart(splits$f, theirs$f), 0, near, sum(is.finite(theirs$f)))
figure("degrees of freedom below F, relative difference from R", ends_apart(splits$fdf, theirs$fdf), 0, near,
    sum(is.finite(theirs$f)))
figure("p of F, relative difference from R", ends_apart(splits$p, theirs$p), 0, near, sum(is.finite(theirs$f)))
figure("lower ends of variances, relative difference from R", ends_apart(splits$low, theirs$low), 0, near,
    sum(is.finite(theirs$low)))
figure("upper ends of variances, relative difference from R", ends_apart(splits$high, theirs$high), 0, near,
    sum(is.finite(theirs$high)))

# Where no variance is negative, restricted maximum likelihood has the same answer in a balanced layout. lme4 searches
# for it, over ratios of standard deviations, to some five digits; Newton's steps on its deviance finish that.
slopes_of <- function(f, at, share = 0.001) {
    shift <- function(i, by) { at[i] <- at[i] * (1 + by * share); at }
    sapply(seq_along(at), function(i)
        (8 * (f(shift(i, 1)) - f(shift(i, -1))) - f(shift(i, 2)) + f(shift(i, -2))) / (12 * share * at[i]))
}
reml_apart <- function(case) {
    l <- factors_of(case)
    ours <- splits$variance[splits$case == case]
    if (l$data$balanced[1] == 0 || any(ours <= 0))
        return(NA)
    model <- reformulate(sprintf("(1 | %s)", l$names), "value")
    # lme4 warns, or says so, where its own search ends early.
    theta <- suppressWarnings(suppressMessages(getME(fit <- lmer(model, l$data, REML = TRUE), "theta")))
    deviance <- lmer(model, l$data, REML = TRUE, devFunOnly = TRUE)
    for (step in 1:6) {
        slope <- slopes_of(deviance, theta)
        bend <- sapply(seq_along(theta), function(i) slopes_of(function(at) slopes_of(deviance, at)[i], theta))
        theta <- theta - solve((bend + t(bend)) / 2, slope)
    }
    deviance(theta)
    inside <- environment(deviance)
    residual <- (inside$resp$wrss() + inside$pp$sqrL(1)) / (nrow(l$data) - 1)
    found <- c(theta^2 * residual, residual)
    names(found) <- c(names(getME(fit, "cnms")), "Residual")
    max(abs(ours - found[c(l$names, "Residual")])) / sum(ours)
}
reml <- sapply(unique(splits$case), reml_apart)
figure("variances of balanced layouts, difference from lme4 over the total variance", max(reml, na.rm = TRUE), 0,
    near, sum(is.finite(reml)))

bench <- table_of("bench_values")
sets <- table_of("bench_sets")
cells <- table_of("bench_cells")
checks <- table_of("bench_checks")
iso <- function(case) {
    d <- bench[bench$case == case, ]
    group <- factor(d$bench)
    n <- tapply(d$value, group, length)
    means <- tapply(d$value, group, mean)
    sds <- tapply(d$value, group, sd)
    table <- summary(aov(value ~ group, data.frame(value = d$value, group)))[[1]]
    p <- length(n)
    n2 <- (sum(n) - sum(n^2) / sum(n)) / (p - 1)
    sl <- (table[1, "Mean Sq"] - table[2, "Mean Sq"]) / n2
    sr <- sqrt(table[2, "Mean Sq"])
    ranked <- order(means)
    two <- function(out) var(means[-out]) * (p - 3) / (var(means) * (p - 1))
    list(set = c(mean = mean(d$value), sx = sd(means), sr = sr, sl = sqrt(max(0, sl)), sR = sqrt(sr^2 + max(0, sl)),
        n = n2), cells = data.frame(mean = as.vector(means), sd = as.vector(sds),
        h = as.vector((means - mean(means)) / sd(means)), k = as.vector(sds / sqrt(mean(sds^2, na.rm = TRUE)))),
        checks = c(cochran = max(sds^2, na.rm = TRUE) / sum(sds^2, na.rm = TRUE),
            low = (mean(means) - min(means)) / sd(means), high = (max(means) - mean(means)) / sd(means),
            two_low = if (p > 3) two(ranked[1:2]) else NA, two_high = if (p > 3) two(ranked[p - 0:1]) else NA),
        where = c(cochran = which.max(sds)[[1]], low = ranked[1], high = ranked[p], two_low = ranked[1],
            two_high = ranked[p]),
        other = c(two_low = ranked[2], two_high = ranked[p - 1]))
}
isos <- lapply(sets$case, iso)
their_sets <- as.data.frame(do.call(rbind, lapply(isos, `[[`, "set")))
words_of <- c(mean = "general mean", sx = "sd of cell means", sr = "repeatability sd", sR = "reproducibility sd",
    n = "effective n")
for (what in names(words_of))
    figure(sprintf("benches: %s, relative difference from R", words_of[[what]]), apart(sets[[what]],
        their_sets[[what]]), 0, near, nrow(sets))
cat(sprintf("between benches: %d of %d estimates are negative\n", sum(their_sets$sl == 0), nrow(sets)))
figure("benches: sets in which one of us has no sd between", sum((sets$sl == 0) != (their_sets$sl == 0)), 0, 0,
    nrow(sets))
figure("benches: sd between, squared, difference from R over reproducibility variance",
    max(abs(sets$sl^2 - their_sets$sl^2) / their_sets$sR^2), 0, near, nrow(sets))
their_cells <- do.call(rbind, lapply(isos, `[[`, "cells"))
for (what in c("mean", "sd", "k"))
    figure(sprintf("cells: %s, relative difference from R", what), ends_apart(cells[[what]], their_cells[[what]]), 0,
        near, sum(is.finite(their_cells[[what]])))
figure("cells: h, difference from R", max(abs(cells$h - their_cells$h)), 0, near, nrow(cells))
their <- function(part, i) isos[[match(checks$case[i], sets$case)]][[part]][[checks$name[i]]]
rows <- seq_len(nrow(checks))
figure("Cochran and Grubbs: statistics, relative difference from R", apart(checks$statistic, sapply(rows, their,
    part = "checks")), 0, near, length(rows))
pairs <- rows[checks$name %in% c("two_low", "two_high")]
figure("Cochran and Grubbs: benches named otherwise than by R",
    sum(checks$bench != sapply(rows, their, part = "where")) + sum(checks$other[pairs] !=
        sapply(pairs, their, part = "other")), 0, 0, length(rows))

critical <- table_of("criticals")
by_formula <- function(name, p, n, level) {
    t <- function(upper) qt(upper, p - 2, lower.tail = FALSE)
    switch(name, cochran = 1 / (1 + (p - 1) / qf(level / p, n - 1, (p - 1) * (n - 1), lower.tail = FALSE)),
        k = { f <- qf(level, n - 1, (p - 1) * (n - 1), lower.tail = FALSE); sqrt(p * f / (p - 1 + f)) },
        h = (p - 1) * t(level / 2) / sqrt(p * (t(level / 2)^2 + p - 2)),
        one = (p - 1) * t(level / 2 / p) / sqrt(p * (t(level / 2 / p)^2 + p - 2)))
}
for (name in c("cochran", "k", "h", "one")) {
    d <- critical[critical$name == name, ]
    figure(sprintf("critical values: %s, relative difference from R",
        c(cochran = "Cochran", k = "Mandel k", h = "Mandel h", one = "Grubbs of one")[[name]]),
        apart(d$value, mapply(by_formula, d$name, d$p, d$n, d$level)), 0, near, nrow(d))
}
# Of four means the distribution is an integral of arcs alone.
of_four <- function(c) 6 / pi * integrate(function(w) acos(pmin(1, w / sqrt(3 * (1 - w^2)))) - atan(sqrt(0.5)), 0,
    sqrt(c), rel.tol = 1e-12)$value
four <- critical[critical$name == "two" & critical$p == 4, ]
figure("critical values: Grubbs of two among four, relative difference from R", apart(four$value,
    sapply(four$level, function(a) uniroot(function(c) of_four(c) - a / 2, c(1e-12, 0.5), tol = 1e-16)$root)), 0, near,
    nrow(four))
set.seed(seed)
draws_of <- function(p) 20 * floor(min(2e6, 4e7 / p) / 20)
two <- critical[critical$name == "two", ]
share_below <- function(p, limits) {
    below <- 0 * limits
    for (part in 1:20) {
        x <- matrix(rnorm(p * draws_of(p) / 20), ncol = p)
        at <- cbind(seq_len(nrow(x)), max.col(x, "first"))
        all <- rowSums((x - rowMeans(x))^2)
        first <- x[at]
        x[at] <- -Inf
        second <- x[cbind(at[, 1], max.col(x, "first"))]
        x[cbind(at[, 1], max.col(x, "first"))] <- -Inf
        x[x == -Inf] <- NA
        rest <- rowSums((x - rowMeans(x, na.rm = TRUE))^2, na.rm = TRUE)
        below <- below + colSums(outer(rest / all, limits, "<"))
    }
    below / draws_of(p)
}
shares <- unlist(lapply(unique(two$p), function(p) share_below(p, two$value[two$p == p])))
wanted <- two$level / 2
draws <- sapply(two$p, draws_of)
figure("critical values: Grubbs of two, share of drawn sets below, greatest distance in standard errors",
    max(abs(shares - wanted) / sqrt(wanted * (1 - wanted) / draws)), 0, 4, sum(draws))
end_figures()
