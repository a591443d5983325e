# Regressions of random samples of lives on two covariates against R's survreg, and shares of two causes against
# survfit. Usage: Rscript regression.R REGRESS_LIVES [SEED]
if (!requireNamespace("survival", quietly = TRUE)) {
    cat("skipped: the R package survival is not installed (Debian: r-cran-survival)\n")
    quit(status = 77)
}
suppressMessages(library(survival))
arguments <- commandArgs(trailingOnly = TRUE)
seed <- if (length(arguments) > 1) as.integer(arguments[2]) else 20262
cat("seed", seed, "\n")
set.seed(seed)

draw <- function(n, looks) repeat {
    x <- rnorm(n, 40, 8) # a temperature
    y <- rbinom(n, 1, 0.4)
    shape <- exp(runif(1, log(0.7), log(4)))
    life <- exp(11 - 0.03 * x + 0.4 * y + log(rexp(n)) / shape)
    other <- exp(10.5 + log(rexp(n)) / 1.2)
    end <- quantile(life, 0.8) * runif(n, 0.2, 1.2)
    time <- pmin(life, other, end)
    cause <- ifelse(time == life, 1, ifelse(time == other, 2, 0))
    s <- data.frame(exit = time, exit_high = NA, event = as.integer(cause > 0), x = x, y = y, cause = cause)
    if (looks) { # between two looks; from new: left censored
        seen <- s$event == 1 & runif(n) < 0.6
        look <- max(time) / 12
        below <- floor(time / look) * look
        s$exit_high[seen] <- below[seen] + look
        s$exit[seen] <- below[seen]
    }
    if (sum(s$event) >= 20) return(s)
}
samples <- c(lapply(1:20, function(i) draw(sample(60:500, 1), FALSE)), lapply(1:10, function(i) draw(sample(80:400, 1), TRUE)))

file <- tempfile(fileext = ".csv")
rows <- do.call(rbind, lapply(seq_along(samples), function(i) cbind(sample = i, samples[[i]])))
for (column in c("exit", "exit_high", "x"))
    rows[[column]] <- ifelse(is.na(rows[[column]]), "NA", sprintf("%.17g", rows[[column]]))
write.csv(rows[, c("sample", "exit", "exit_high", "event", "x", "y", "cause")], file, row.names = FALSE, quote = FALSE)
output <- strsplit(system2(arguments[1], file, stdout = TRUE), ",")
unlink(file)
pick <- function(what) do.call(rbind, lapply(output[sapply(output, `[`, 1) == what], function(r) as.numeric(r[-1])))
fits <- pick("fit")
shares <- pick("share")
if (is.null(fits) || nrow(fits) != length(samples)) stop(length(samples), " samples, not as many fits: ", paste(output[[1]], collapse = ","))

worst <- list()
failed <- FALSE
near <- function(what, sample, got, want, tolerance) {
    error <- max(abs(got - want) / pmax(abs(want), 1e-8))
    worst[[what]] <<- max(worst[[what]], error)
    if (is.na(error) || error > tolerance) {
        cat(sprintf("sample %d, %s: error %.2g\n", sample, what, error))
        failed <<- TRUE
    }
}
for (i in seq_along(samples)) {
    s <- samples[[i]]
    high <- ifelse(is.na(s$exit_high), s$exit, s$exit_high)
    high[s$event == 0] <- NA
    low <- ifelse(s$exit == 0, NA, s$exit)
    r <- survreg(Surv(low, high, type = "interval2") ~ x + y, data = s, control = survreg.control(rel.tolerance = 1e-13, maxiter = 200))
    got <- fits[i, -1]
    near("coefficients", i, got[1:3], unname(coef(r)), 1e-6)
    near("sigma", i, got[4], r$scale, 1e-6)
    near("log-likelihoods", i, got[5:6], rev(r$loglik), 1e-9)
    near("standard errors", i, sqrt(diag(matrix(got[7:22], 4))), sqrt(diag(r$var)), 1e-5)
    if (any(!is.na(s$exit_high))) next
    fit <- survfit(Surv(exit, factor(cause, 0:2)) ~ 1, data = s)
    mine <- shares[shares[, 1] == i, ]
    at <- match(mine[, 2], fit$time)
    near("shares of causes", i, mine[, 3:4], fit$pstate[at, 2:3], 1e-9)
}
cat(length(samples), "samples; largest errors:\n")
for (what in names(worst)) cat(sprintf("  %-28s %.2g\n", what, worst[[what]]))
quit(status = as.integer(failed))
