# Our comparisons of feeders against R's, on the same numbers: t, Welch, paired, analysis of variance, Bartlett, blocks,
# Tukey, Games-Howell, Holm, equivalence, power, likelihood of censored values. And our answers to published cases:
# SciPy's mpmath values of the studentised range, NIST's sets of one-way analysis of variance.
suppressPackageStartupMessages(library(survival))
source("tests/reference/figures.R")
near <- 1e-8
values <- table_of("values")
designs <- table_of("designs")
pairs <- table_of("pairs")
one_way <- table_of("one_way")
censored <- table_of("censored")
power <- table_of("power")

# Gauss and Legendre's points, from the eigenvalues of their Jacobi matrix (Golub and Welsch 1969).
legendre <- function(n) {
    jacobi <- matrix(0, n, n)
    off <- seq_len(n - 1) / sqrt(4 * seq_len(n - 1)^2 - 1)
    jacobi[cbind(1:(n - 1), 2:n)] <- jacobi[cbind(2:n, 1:(n - 1))] <- off
    e <- eigen(jacobi, symmetric = TRUE)
    list(x = e$values, w = 2 * e$vectors[1, ]^2)
}
of_z <- legendre(140)
of_u <- legendre(220)

# The studentised range above q. R's own ptukey and qtukey are off by up to 1e-2 of a small p below some 10 degrees of
# freedom and by 1e-4 of q: too little to hold 8 digits to. Here the integral is taken as it stands, over z and over
# u = log(s), with another rule than ours.
range_above <- function(q, k, df) {
    low <- if (df < 8) -80 / df else -1 - 12 / sqrt(df)
    high <- log(120 / df + 2.5) / 2
    u <- low + (high - low) * (of_u$x + 1) / 2
    density <- exp(log(2) + df / 2 * log(df / 2) - lgamma(df / 2) + df * u - df / 2 * exp(2 * u))
    # Past 75 nothing is left of it.
    r <- pmin(q * exp(u), 75)
    from <- pmax(-9.5, r / 2 - 9.5)
    half <- (pmax(9.5, r / 2 + 9.5) - from) / 2
    z <- from + half * outer(rep(1, length(r)), of_z$x + 1)
    below <- pnorm(z, log.p = TRUE)
    share <- pmin(1 - 1e-16, exp(pnorm(z - r, log.p = TRUE) - below))
    above <- -k * half * ((dnorm(z) * exp((k - 1) * below) * expm1((k - 1) * log1p(-share))) %*% of_z$w)
    sum(of_u$w * density * above) * (high - low) / 2
}
range_point <- function(p, k, df)
    uniroot(function(q) log(range_above(q, k, df) / p), c(1, 80), tol = 1e-13)$root

# Values under one name, ours and theirs.
said <- list()
hold <- function(what, ours, theirs) said[[what]] <<- rbind(said[[what]], cbind(unname(ours), unname(theirs)))
# A value that may be near nothing is held over a scale of its own.
hold_over <- function(what, ours, theirs, scale) hold(what, 1 + (ours - theirs) / scale, 1 + 0 * ours)
# Above 30 degrees of freedom GSL takes Student's tail from a series: 2e-8 of a p value below 1e-10 are left, and more
# of smaller ones, which nobody reads. They are held by themselves.
tails <- "p values of Student's t below 1e-10"
hold_p <- function(what, ours, theirs) hold(if (theirs < 1e-10) tails else what, ours, theirs)
f_of <- function(model, term) {
    line <- drop1(model, test = "F")[term, ]
    c(line[["F value"]], line[["Df"]], df.residual(model), line[["Pr(>F)"]])
}
columns <- function(row, head = "") unlist(row[paste0(head, c("f", "n1", "n2", "p"))])
bartlett <- function(x, g) {
    b <- bartlett.test(x, g)
    c(b$statistic / b$parameter, b$parameter, Inf, b$p.value)
}
hold_f <- function(what, ours, theirs) {
    finite <- is.finite(theirs)
    hold(what, ours[finite], theirs[finite])
}

# One pair: the difference and what follows from it; its p value and the factor of its interval in the family.
hold_pair <- function(method, ours, estimate, error, df, family, factor) {
    half <- qt(0.975, df) * error
    hold_over(paste0(method, ": difference, over its standard error"), ours$difference, estimate, error)
    hold(paste0(method, ": standard error"), ours$se, error)
    hold(paste0(method, ": degrees of freedom"), ours$df, df)
    hold_p(paste0(method, ": p of the pair alone"), ours$p_alone, 2 * pt(-abs(estimate / error), df))
    hold_over(paste0(method, ": interval of the pair alone, over its half width"), c(ours$low, ours$high),
        estimate + c(-half, half), half)
    hold_p(paste0(method, ": p in the family"), ours$p_family, family)
    half <- factor * error
    hold_over(paste0(method, ": interval in the family, over its half width"), c(ours$family_low, ours$family_high),
        estimate + c(-half, half), half)
    hold_p(paste0(method, ": p of two one-sided tests"), ours$p_alike,
        max(pt((estimate + ours$least) / error, df, lower.tail = FALSE), pt((estimate - ours$least) / error, df)))
}
# The quantile of the interval is held by the probability above it. R's own ptukey, where it has its digits, for the
# record.
ptukey_apart <- numeric(0)
hold_tukey <- function(method, ours, estimate, error, df, count) {
    q <- sqrt(2) * abs(estimate / error)
    point <- (ours$family_high - ours$family_low) / sqrt(2) / error
    above <- if (count > 2) range_above(q, count, df) else 2 * pt(-q / sqrt(2), df)
    hold(paste0(method, ": probability outside of the interval in the family"),
        if (count > 2) range_above(point, count, df) else 2 * pt(-point / sqrt(2), df), 0.05)
    if (df >= 20)
        ptukey_apart <<- c(ptukey_apart, ours$p_family - ptukey(q, count, df, lower.tail = FALSE))
    hold_pair(method, ours, estimate, error, df, above, point / sqrt(2))
}

two_groups <- function(v, a, b) list(v$value[v$group == a], v$value[v$group == b])
shared_blocks <- function(v, a, b) {
    both <- intersect(v$block[v$group == a], v$block[v$group == b])
    lapply(c(a, b), function(g) v$value[v$group == g][match(both, v$block[v$group == g])])
}
estimate_of <- function(t) if (length(t$estimate) == 2) -diff(t$estimate)[[1]] else t$estimate[[1]]

# Each pair with its own scatter: t.test itself, and for the equivalence too.
own_scatter <- function(v, ours, method, paired) {
    count <- length(unique(v$group))
    found <- lapply(seq_len(nrow(ours)), function(i) {
        x <- (if (paired) shared_blocks else two_groups)(v, ours$a[i], ours$b[i])
        test <- function(...) t.test(x[[1]], x[[2]], paired = paired, ...)
        hold_p(paste0(method, ": equivalence against one-sided t.test"), ours$p_alike[i],
            max(test(mu = -ours$least[i], alternative = "greater")$p.value,
                test(mu = ours$least[i], alternative = "less")$p.value))
        test()
    })
    holm <- p.adjust(vapply(found, function(t) t$p.value, 0), "holm")
    for (i in seq_along(found)) {
        t <- found[[i]]
        df <- t$parameter[["df"]]
        if (count > 2 && !paired)
            hold_tukey(method, ours[i, ], estimate_of(t), t$stderr, df, count)
        else
            hold_pair(method, ours[i, ], estimate_of(t), t$stderr, df, if (count > 2) holm[i] else t$p.value,
                qt(1 - 0.025 / (if (count > 2) length(found) else 1), df))
    }
}
pooled <- function(v, ours, method, model) {
    covariance <- vcov(model)
    terms <- paste0("g", levels(v$g))
    for (i in seq_len(nrow(ours))) {
        weights <- setNames(numeric(nrow(covariance)), rownames(covariance))
        weights[terms[match(ours$a[i], levels(v$g))]] <- 1
        weights[terms[match(ours$b[i], levels(v$g))]] <- -1
        df <- df.residual(model)
        hold_tukey(method, ours[i, ], sum(weights * coef(model)), sqrt(sum(weights * (covariance %*% weights))), df,
            nlevels(v$g))
    }
}
likelihood <- function(v, ours, blocks, means) {
    model <- survreg(if (blocks) Surv(value, 1 - at_least) ~ g + b - 1 else Surv(value, 1 - at_least) ~ g - 1, data = v,
        dist = "gaussian", control = survreg.control(rel.tolerance = 1e-15, maxiter = 200))
    terms <- paste0("g", levels(v$g))
    known <- sum(1 - v$at_least)
    df <- known - length(coef(model))
    covariance <- vcov(model)[terms, terms] * known / df
    name <- "censored"
    hold(paste0(name, ": log likelihood"), means$loglik, rep(model$loglik[2], nrow(means)))
    hold(paste0(name, ": scatter"), means$sigma, rep(model$scale, nrow(means)))
    hold(paste0(name, ": means"), means$mean, coef(model)[terms])
    hold(paste0(name, ": variances of the means"), means$variance, diag(covariance))
    for (i in seq_len(nrow(ours))) {
        pair <- terms[match(c(ours$a[i], ours$b[i]), levels(v$g))]
        error <- sqrt(covariance[pair[1], pair[1]] + covariance[pair[2], pair[2]] - 2 * covariance[pair[1], pair[2]])
        hold_tukey(name, ours[i, ], coef(model)[[pair[1]]] - coef(model)[[pair[2]]], error, df, nlevels(v$g))
    }
}

METHODS <- c("paired", "Welch", "Tukey-Kramer in blocks", "own scatter in blocks, Holm", "Tukey-Kramer", "Games-Howell",
    "censored")
# Of the blocks that hold all three; NULL where they are too few.
mauchly <- function(v) {
    wide <- tapply(v$value, list(v$b, v$g), mean)
    wide <- wide[complete.cases(wide), , drop = FALSE]
    if (nrow(wide) < 3)
        return(NULL)
    test <- mauchly.test(lm(wide ~ 1), X = ~1)
    c(-log(test$p.value), 2, Inf, test$p.value)
}
expected_method <- function(count, blocks, p) {
    if (count == 2)
        return(if (blocks) 0 else 1)
    if (blocks) (if (p < 0.1) 3 else 2) else (if (p < 0.05) 5 else 4)
}
same_method <- 0
for (number in designs$case) {
    d <- designs[designs$case == number, ]
    v <- values[values$case == number, ]
    v$g <- factor(v$group)
    v$b <- factor(v$block)
    contrasts(v$b) <- contr.sum(nlevels(v$b))
    ours <- pairs[pairs$case == number, ]
    blocks <- d$by_blocks == 1
    method <- METHODS[d$method + 1]
    if (method == "censored") {
        likelihood(v, ours, blocks, censored[censored$case == number, ])
        next
    }
    model <- lm(if (blocks) value ~ g + b - 1 else value ~ g - 1, v)
    constant <- lm(if (blocks) value ~ g + b else value ~ g, v)
    one <- one_way[one_way$case == number, ]
    welch <- oneway.test(value ~ g, v)
    welch <- c(welch$statistic, welch$parameter, welch$p.value)
    groups <- lm(value ~ g, v)
    hold("one-way: F, degrees of freedom, p", columns(one), f_of(groups, "g"))
    hold("one-way: residual standard deviation", one$sd, sigma(groups))
    hold("Welch one-way: F, degrees of freedom, p", columns(one, "welch_"), welch)
    hold_f("Bartlett: F, degrees of freedom, p", columns(one, "scatter_"), bartlett(v$value, v$g))
    v$place <- if (blocks) ave(v$order, v$block, FUN = rank) else v$order
    place <- update(constant, . ~ . + place, data = v)
    # Absent in both where one feeder always came before the other.
    if (!is.na(d$order_p) || !is.na(coef(place)[["place"]])) {
        hold("order: F, degrees of freedom, p", columns(d, "order_"), f_of(place, "place"))
        hold("order: slope", d$slope, coef(place)[["place"]])
    }
    if (is.finite(d$sd) && method != "Welch")
        hold(paste0(method, ": residual standard deviation"), d$sd, sigma(constant))
    scatter <- NA
    if (nlevels(v$g) > 2) {
        test <- bartlett(residuals(constant), v$g)
        scatter <- test[4]
        three <- if (blocks && nlevels(v$g) == 3 && !(scatter < 0.1)) mauchly(v) else NULL
        if (!is.null(three) && three[4] < 0.02) {
            hold_f("Mauchly of three feeders: F, degrees of freedom, p", columns(d, "scatter_"), three)
            scatter <- 0
        } else
            hold_f("Bartlett of residuals: F, degrees of freedom, p", columns(d, "scatter_"), test)
    }
    if (blocks) {
        hold("blocks: F, degrees of freedom, p", columns(d, "block_"), f_of(constant, "b"))
        hold("feeders in blocks: F, degrees of freedom, p", columns(d), f_of(constant, "g"))
    } else if (method == "Tukey-Kramer")
        hold("feeders: F, degrees of freedom, p", columns(d), f_of(constant, "g"))
    else
        hold("feeders of uneven scatter: F, degrees of freedom, p", columns(d), welch)
    same_method <- same_method + (d$method == expected_method(nlevels(v$g), blocks, scatter))
    if (method %in% c("Tukey-Kramer in blocks", "Tukey-Kramer"))
        pooled(v, ours, method, model)
    else
        own_scatter(v, ours, method, blocks)
}

# Power: R's own for two feeders; more are judged by the studentised range, with R's noncentral t.
for (i in seq_len(nrow(power))) {
    p <- power[i, ]
    df <- (p$repeats - 1) * (p$feeders - p$blocks)
    if (p$feeders == 2) {
        theirs <- power.t.test(n = p$repeats, delta = p$difference, sd = p$sd * (if (p$blocks) sqrt(2) else 1),
            type = if (p$blocks) "paired" else "two.sample", strict = TRUE)$power
        hold("power: t test of two feeders, power.t.test", p$pair, theirs)
    } else {
        least <- range_point(0.05, p$feeders, df) / sqrt(2)
        shift <- p$difference / p$sd / sqrt(2 / p$repeats)
        hold("power: pair of more feeders, noncentral t", p$pair,
            pt(least, df, shift, lower.tail = FALSE) + pt(-least, df, shift))
    }
    lambda <- (p$feeders - 1) * p$repeats * p$variance / p$sd^2
    # R's noncentral F is good to some 1e-9 as it stands, and so not to that share of a small power.
    if (p$blocks)
        hold_over("power: F test in blocks, noncentral F, over 1", p$f_test, pf(qf(0.05, p$feeders - 1, df,
            lower.tail = FALSE), p$feeders - 1, df, lambda, lower.tail = FALSE), 1)
    else
        hold_over("power: F test of groups, power.anova.test, over 1", p$f_test,
            power.anova.test(p$feeders, p$repeats, p$variance, p$sd^2)$power, 1)
}

for (what in sort(names(said)))
    figure(paste0(what, ", relative difference from R"), apart(said[[what]][, 1], said[[what]][, 2]), 0,
        if (what == tails) 1e-6 else near, nrow(said[[what]]))
figure("share of designs with the method that R's Bartlett test leads to", same_method / sum(designs$method != 6), 1, 1,
    sum(designs$method != 6))
figure("p of families: difference from R's ptukey at 20 and more degrees of freedom", max(abs(ptukey_apart)), 0, 1e-6,
    length(ptukey_apart))

range <- table_of("range")
figure("studentised range: difference from SciPy's mpmath values", max(abs(range$below - range$published)), 0, 1e-12,
    nrow(range))
nist <- table_of("nist")
# The decimals of the last three sets are not doubles: seventeen digits of which sixteen are in common.
limits <- c(SiRstv = 1e-12, AtmWtAg = 1e-9, SmLs01 = 1e-12, SmLs02 = 1e-12, SmLs03 = 1e-12, SmLs04 = 1e-8,
    SmLs05 = 1e-8, SmLs06 = 1e-8, SmLs07 = 1e-3, SmLs08 = 1e-3, SmLs09 = 1e-3)
for (i in seq_len(nrow(nist)))
    figure(paste0("NIST ", nist$name[i], ": F and residual standard deviation, relative difference from certified"),
        apart(c(nist$f[i], nist$sd[i]), c(nist$certified_f[i], nist$certified_sd[i])), 0,
        limits[[nist$name[i]]], nist$n[i])
end_figures()
