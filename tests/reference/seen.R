# The difference that a design can see, as a multiple of the scatter, against R: two feeders by power.t.test, of whose
# paired differences the scatter is the root of 2 times that of one value; more by qtukey and the noncentral t. R's
# qtukey is off by some 1e-4 below ten degrees of freedom, and pt warns that it is not exact far out: so the shares.
source("tests/reference/figures.R")
seen <- table_of("seen")
two <- seen[seen$feeders == 2, ]
r_two <- sapply(two$blocks, function(n)
    power.t.test(n = n, sd = sqrt(2), power = 0.8, type = "paired", strict = TRUE, tol = 1e-10)$delta)
in_table <- two$blocks <= 50
figure("two feeders, 2 to 50 blocks, relative difference from power.t.test", apart(two$ratio[in_table],
    r_two[in_table]), 0, 1e-4, sum(in_table))
figure("two feeders, 51 to 200 blocks, relative difference from power.t.test", apart(two$ratio[!in_table],
    r_two[!in_table]), 0, 5e-4, sum(!in_table))

more <- seen[seen$feeders > 2 & seen$blocks %in% c(2, 3, 4, 5, 7, 10, 15, 25, 50, 120, 200), ]
r_more <- mapply(function(k, n) {
    df <- (k - 1) * (n - 1)
    least <- qtukey(0.95, k, df) / sqrt(2)
    found <- function(d) suppressWarnings(pt(least, df, d / sqrt(2 / n), lower.tail = FALSE) +
        pt(-least, df, d / sqrt(2 / n)))
    uniroot(function(d) found(d) - 0.8, c(0.01, 30), tol = 1e-10)$root
}, more$feeders, more$blocks)
many <- (more$feeders - 1) * (more$blocks - 1) >= 10
figure("3 to 12 feeders, 10 degrees of freedom and more, relative difference from qtukey and pt",
    apart(more$ratio[many], r_more[many]), 0, 5e-4, sum(many))
figure("3 to 12 feeders, fewer degrees of freedom, relative difference from qtukey and pt",
    apart(more$ratio[!many], r_more[!many]), 0, 1e-3, sum(!many))
end_figures()
