# The bootstrap of a comparison by R's boot. Rscript bootstrap.R FOLDER LOOPS: values from FOLDER/values.csv (feeder,
# value), the indices drawn to FOLDER/indices.csv, intervals to FOLDER/intervals.csv; prints "seconds S" for each loop,
# the time of drawing, computing and taking the intervals of all pairs.
suppressMessages(library(boot))
arguments <- commandArgs(TRUE)
folder <- arguments[1]
d <- read.csv(file.path(folder, "values.csv"))
feeders <- max(d$feeder)
pairs <- combn(feeders, 2)
# Rows of one feeder follow each other, and strata keep each feeder's number of runs: a matrix of its values has its
# means as column means.
runs <- nrow(d) / feeders
stopifnot(all(d$feeder == rep(seq_len(feeders), each = runs)))
differences <- function(value, i) {
    means <- colMeans(matrix(value[i], nrow = runs))
    means[pairs[1, ]] - means[pairs[2, ]]
}
once <- function() {
    b <- boot(d$value, differences, R = 2000, strata = d$feeder)
    ci <- sapply(seq_len(ncol(pairs)), function(k) boot.ci(b, type = "perc", index = k)$percent[4:5])
    list(boot = b, intervals = ci)
}
set.seed(20261129)
first <- once()
for (loop in seq_len(as.integer(arguments[2]))) {
    set.seed(20261129)
    s <- proc.time()[["elapsed"]]
    once()
    cat("seconds", format(proc.time()[["elapsed"]] - s, digits = 12), "\n")
}
write.table(boot.array(first$boot, indices = TRUE) - 1, file.path(folder, "indices.csv"), sep = ",",
            row.names = FALSE, col.names = FALSE)
write.table(format(t(first$intervals), digits = 17), file.path(folder, "intervals.csv"), sep = ",", quote = FALSE,
            row.names = FALSE, col.names = FALSE)
