# Concordance of random samples: the program against R's survival::concordance.
# Usage: Rscript score.R SCORE_SAMPLES [SEED]
if (!requireNamespace("survival", quietly = TRUE)) {
    cat("skipped: the R package survival is not installed (Debian: r-cran-survival)\n")
    quit(status = 77)
}
suppressMessages(library(survival))
arguments <- commandArgs(trailingOnly = TRUE)
seed <- if (length(arguments) > 1) as.integer(arguments[2]) else 20262
cat("seed", seed, "\n")
set.seed(seed)

# Times and risks of few values, so that there are ties of all kinds.
draw <- function(i) {
    n <- sample(5:300, 1)
    data.frame(sample = i, time = sample(sample(3:200, 1), n, replace = TRUE), status = rbinom(n, 1, runif(1, 0.2, 0.9)),
               risk = round(runif(n), sample(1:3, 1)))
}
samples <- lapply(1:60, draw)
file <- tempfile(fileext = ".csv")
write.table(do.call(rbind, samples), file, sep = ",", row.names = FALSE, col.names = FALSE)
rows <- read.csv(text = system2(arguments[1], file, stdout = TRUE), header = FALSE)
stopifnot(nrow(rows) == length(samples))

bad <- 0
for (i in seq_along(samples)) {
    r <- concordance(Surv(time, status) ~ risk, samples[[i]], reverse = TRUE)
    want <- c(r$count[["concordant"]], r$count[["discordant"]], r$count[["tied.x"]],
              r$count[["tied.y"]] + r$count[["tied.xy"]], r$concordance)
    have <- unlist(rows[i, 2:6])
    if (any(abs(have - want) > 1e-12 * pmax(1, abs(want)))) {
        bad <- bad + 1
        cat("sample", i, "program", have, "R", want, "\n")
    }
}
cat(length(samples), "samples,", bad, "differ\n")
quit(status = if (bad) 1 else 0)
