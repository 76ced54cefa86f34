# Our broken lines against R's package segmented, on the same points.
suppressPackageStartupMessages(library(segmented))
source("tests/reference/figures.R")
fits <- table_of("fits")

# The best of R's own search from many places: it goes downhill from where it starts, and noise makes many hollows.
best_of_r <- function(points, ours) {
    line <- lm(y ~ x, data = points)
    control <- seg.control(tol = 1e-13, it.max = 500, n.boot = 0)
    starts <- c(quantile(points$x, seq(0.05, 0.95, by = 0.05)), ours)
    best <- NULL
    for (start in unique(starts)) {
        found <- suppressWarnings(tryCatch(segmented(line, seg.Z = ~x, psi = start, control = control),
            error = function(e) NULL))
        if (inherits(found, "segmented") && (is.null(best) || deviance(found) < deviance(best)))
            best <- found
    }
    best
}

data(stagnant)
typed <- table_of("stagnant")
figure("stagnant: greatest difference of our points from the package's", max(abs(typed$x - stagnant$x),
    abs(typed$y - stagnant$y)), 0, 1e-12, nrow(typed))

for (i in seq_len(nrow(fits))) {
    ours <- fits[i, ]
    points <- table_of(ours$name)
    theirs <- best_of_r(points, ours$breakpoint)
    if (is.null(theirs)) {
        figure(paste0(ours$name, ": R found a broken line"), 0, 1, 1, ours$n)
        next
    }
    psi <- theirs$psi[1, ]
    slopes <- slope(theirs, digits = 15)$x # its default rounds to a few digits
    near <- 1e-5
    name <- function(what) paste0(ours$name, ": ", what)
    figure(name("our residual sum over R's, less 1"), ours$residual_sum / deviance(theirs) - 1,
        -1e-9, 1e-9, ours$n)
    figure(name("breakpoint, difference over R's standard error"), abs(ours$breakpoint - psi[["Est."]]) /
        psi[["St.Err"]], 0, near, ours$n)
    figure(name("breakpoint's standard error over R's, less 1"), abs(ours$breakpoint_se / psi[["St.Err"]] - 1), 0,
        near, ours$n)
    for (side in 1:2) {
        word <- c("left", "right")[side]
        figure(name(paste0(word, " slope, difference over R's standard error")),
            abs(ours[[paste0(word, "_slope")]] - slopes[side, "Est."]) / slopes[side, "St.Err."], 0, near, ours$n)
        figure(name(paste0(word, " slope's standard error over R's, less 1")),
            abs(ours[[paste0(word, "_slope_se")]] / slopes[side, "St.Err."] - 1), 0, near, ours$n)
    }
    figure(name("degrees of freedom less R's"), abs(ours$degrees_of_freedom - df.residual(theirs)), 0, 0, ours$n)
}
end_figures()
