# Our Student's t, Welch and paired differences and Holm's adjustment against R's, on the same numbers.
source("tests/reference/figures.R")
points <- table_of("points")
answers <- table_of("answers")
near <- 1e-8

t <- table_of("t")
figure("t of 0.975, relative difference from qt", apart(t$t, qt(0.975, t$df)), 0, near, nrow(t))

theirs <- function(case, by) {
    a <- points$value[points$case == case & points$group == "a"]
    b <- points$value[points$case == case & points$group == "b"]
    both <- seq_len(min(length(a), length(b)))
    found <- if (by == "welch") t.test(a, b) else t.test(a[both], b[both], paired = TRUE)
    c(mean = if (by == "welch") mean(a) - mean(b) else mean(a[both] - b[both]), se = found$stderr,
        df = found$parameter[["df"]], t = found$statistic[["t"]], p = found$p.value, low = found$conf.int[1],
        high = found$conf.int[2])
}
words_of <- c(mean = "difference", se = "standard error", df = "degrees of freedom", t = "t", p = "p value")
for (by in c("welch", "paired")) {
    ours <- answers[answers$by == by, ]
    their <- as.data.frame(do.call(rbind, lapply(ours$case, theirs, by = by)))
    for (what in names(words_of))
        figure(sprintf("%s: %s, relative difference from t.test", by, words_of[[what]]), apart(ours[[what]],
            their[[what]]), 0, near, nrow(ours))
    # An end near 0 has no relative digits: over the half width.
    width <- (their$high - their$low) / 2
    figure(sprintf("%s: ends of the interval, difference from t.test over its half width", by),
        max(abs(ours$low - their$low) / width, abs(ours$high - their$high) / width), 0, near, nrow(ours))
}

holm <- table_of("holm")
figure("Holm: p values, relative difference from p.adjust",
    apart(holm$adjusted, ave(holm$p, holm$case, FUN = function(p) p.adjust(p, "holm"))), 0, near,
    length(unique(holm$case)))
end_figures()
