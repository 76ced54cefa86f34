# R's side of the row of broken lines: reads lines "FILE [START]" from standard input, the files being raw doubles (all x, then
# all y), and prints for each the seconds of processor time that segmented() took, breakpoint, its standard error and the
# residual sum. With a start it goes downhill from there alone, and may go nearer
# to the ends than the 5 % of the points that it keeps away by itself. Alive from one round to the next, so that neither the start of R nor reading is in the time.
suppressPackageStartupMessages(library(segmented))
input <- file("stdin", "r")
while (length(line <- readLines(input, 1)) > 0) {
    words <- strsplit(trimws(line), " ")[[1]]
    path <- words[1]
    values <- readBin(path, "double", file.size(path) / 8)
    n <- length(values) / 2
    x <- values[1:n]
    y <- values[n + 1:n]
    set.seed(1) # it restarts from draws of its own
    gc()
    begin <- proc.time()
    fit <- if (length(words) == 1)
        segmented(lm(y ~ x), seg.Z = ~x)
    else
        suppressWarnings(tryCatch(segmented(lm(y ~ x), seg.Z = ~x, psi = as.numeric(words[2]),
            control = seg.control(tol = 1e-13, it.max = 200, n.boot = 0, alpha = 0.002)), error = function(e) NULL))
    took <- proc.time() - begin
    if (!inherits(fit, "segmented")) { # it found none from there
        cat("0 NaN NaN Inf\n")
        flush(stdout())
        next
    }
    cat(sprintf("%.9g %.17g %.17g %.17g\n", took[["user.self"]] + took[["sys.self"]], fit$psi[1, "Est."],
        fit$psi[1, "St.Err"], deviance(fit)))
    flush(stdout())
}
