# survreg of R's survival package on a file of lives: rows "age failed", ages as doubles and events as ints in binary.
# Usage: Rscript life.R FILE ROUNDS. Prints the CPU seconds of each fit, then shape, scale and log-likelihood; status 77 where
# survival is missing.
if (!requireNamespace("survival", quietly = TRUE)) quit(status = 77)
suppressMessages(library(survival))
arguments <- commandArgs(trailingOnly = TRUE)
file <- file(arguments[1], "rb")
n <- readBin(file, "integer", 1)
age <- readBin(file, "double", n)
failed <- readBin(file, "integer", n)
close(file)
for (i in seq_len(as.integer(arguments[2]))) {
    time <- system.time(fit <- survreg(Surv(age, failed) ~ 1))
    cat(sprintf("%.6f\n", time[["user.self"]] + time[["sys.self"]]))
}
cat(sprintf("%.17g %.17g %.17g\n", 1 / fit$scale, exp(unname(coef(fit))), fit$loglik[2]))
