# Figures of a live comparison, in the form of the studies. Sourced, from the top of the tree, by the scripts beside it,
# each of which is called as Rscript NAME.R DIR OUT SEED: DIR holds what our program wrote. OUT gets an array of
# {name, value, unit, low, high, met, n, seed, seconds}; the exit status is 1 when a figure is not met.
words <- commandArgs(trailingOnly = TRUE)
folder <- words[1]
out <- words[2]
seed <- as.integer(words[3])
started <- proc.time()[["elapsed"]]
figures <- character(0)
all_met <- TRUE

table_of <- function(name) read.csv(file.path(folder, paste0(name, ".csv")), stringsAsFactors = FALSE)

figure <- function(name, value, low, high, n) {
    met <- is.finite(value) && value >= low && value <= high
    all_met <<- all_met && met
    number <- function(x) if (is.finite(x)) sprintf("%.12g", x) else "null"
    figures[[length(figures) + 1]] <<- sprintf(paste0("  {\"name\": \"%s\", \"value\": %s, \"unit\": \"1\", ",
        "\"low\": %s, \"high\": %s, \"met\": %s, \"n\": %d, \"seed\": %d, \"seconds\": %.3f}"), name, number(value),
        number(low), number(high), if (met) "true" else "false", as.integer(n), seed,
        proc.time()[["elapsed"]] - started)
    cat(sprintf("%-4s %-72s %10.3g (%g to %g), n = %d\n", if (met) "met" else "NOT", name, value, low, high,
        as.integer(n)))
}

# Greatest relative difference; NA, which meets nothing, where there is nothing to compare or a value is missing.
apart <- function(ours, theirs) {
    if (length(ours) == 0 || length(ours) != length(theirs))
        return(NA)
    max(abs(ours - theirs) / pmax(abs(theirs), .Machine$double.xmin))
}

end_figures <- function() {
    writeLines(c("[", paste(figures, collapse = ",\n"), "]"), out)
    quit(status = if (all_met) 0 else 1)
}
