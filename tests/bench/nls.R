# R's side of the row of torque curves: reads lines "FILE MODEL" from standard input, fits each set of the file by nls from
# the parameters that made it, and prints the seconds of processor time per fit; estimates and standard errors go to FILE with
# the ending .nls. Alive from one round to the next.
# With derivatives: the ones that it estimates leave too few digits to converge with.
pull_out <- function(w, t0, a, b, tau) {
    z2 <- 1 + (w * tau)^2
    z <- sqrt(z2)
    falling <- a / z - b * w / z2
    flat <- t0 < falling
    value <- ifelse(flat, t0, falling)
    attr(value, "gradient") <- cbind(t0 = as.numeric(flat), a = ifelse(flat, 0, 1 / z), b = ifelse(flat, 0, -w / z2),
        tau = ifelse(flat, 0, -a * w^2 * tau / (z2 * z) + 2 * b * w^3 * tau / z2^2))
    value
}
droop <- function(w, t0, t1) {
    value <- t0 - t1 * w
    attr(value, "gradient") <- cbind(t0 = 1, t1 = -w)
    value
}
models <- list(pull_out = torque ~ pull_out(w, t0, a, b, tau), droop = torque ~ droop(w, t0, t1))
names_of <- list(pull_out = c("t0", "a", "b", "tau"), droop = c("t0", "t1"))
input <- file("stdin", "r")
while (length(line <- readLines(input, 1)) > 0) {
    words <- strsplit(line, " ")[[1]]
    lines <- lapply(strsplit(readLines(words[1]), " "), as.numeric)
    start <- as.list(setNames(lines[[1]], names_of[[words[2]]]))
    w <- lines[[2]]
    sets <- lines[-(1:2)]
    answers <- vector("list", length(sets))
    nothing <- list(rep(NaN, length(start)), diag(NaN, length(start))) # where it does not converge
    gc()
    begin <- proc.time()
    for (i in seq_along(sets)) {
        torque <- sets[[i]]
        fit <- tryCatch(nls(models[[words[2]]], start = start, control = nls.control(tol = 1e-6)), error = function(e) NULL)
        answers[[i]] <- if (is.null(fit)) nothing else list(coef(fit), vcov(fit))
    }
    took <- proc.time() - begin
    writeLines(vapply(answers, function(a) paste(sprintf("%.17g", c(a[[1]], sqrt(diag(a[[2]])))), collapse = " "), ""),
        sub("txt$", "nls", words[1]))
    cat(sprintf("%.9g\n", (took[["user.self"]] + took[["sys.self"]]) / length(sets)))
    flush(stdout())
}
