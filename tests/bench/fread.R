# Reads a run file with fread of data.table whenever a line comes, and says how long it took:
#   Rscript fread.R FILE THREADS
suppressPackageStartupMessages(library(data.table))
words <- commandArgs(trailingOnly = TRUE)
threads <- as.integer(words[2])
setDTthreads(threads)
lines <- file("stdin", open = "r")
while (length(readLines(lines, n = 1)) > 0) {
  start <- Sys.time()
  run <- fread(words[1], nThread = threads, showProgress = FALSE)
  taken <- as.numeric(Sys.time() - start, units = "secs")
  cat(sprintf("read_s=%.6f rows=%d sum=%.0f\n", taken, nrow(run), sum(as.numeric(run$force_counts))))
  flush(stdout())
  rm(run)
  invisible(gc(FALSE))
}
