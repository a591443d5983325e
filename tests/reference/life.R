# Fits and curves of random samples of lives: the program against R's survival package, and against a
# likelihood written here where survival has none (late entry, profile likelihood).
# Usage: Rscript life.R FIT_LIVES [SEED]
if (!requireNamespace("survival", quietly = TRUE)) {
    cat("skipped: the R package survival is not installed (Debian: r-cran-survival)\n")
    quit(status = 77)
}
suppressMessages(library(survival))
arguments <- commandArgs(trailingOnly = TRUE)
seed <- if (length(arguments) > 1) as.integer(arguments[2]) else 20261
cat("seed", seed, "\n")
set.seed(seed)

# ---- samples: entry, exit, event, count, exit_high ----

draw <- function(n, late = FALSE) {
    shape <- exp(runif(1, log(0.6), log(4)))
    scale <- exp(runif(1, log(1000), log(60000)))
    entry <- if (late) scale * runif(n, 0, 0.6) * rbinom(n, 1, 0.7) else rep(0, n)
    # lives longer than their entry: by inversion of the conditional law
    life <- scale * ((entry / scale)^shape + rexp(n))^(1 / shape)
    end <- entry + scale * runif(n, 0.2, 1.5)
    data.frame(entry = entry, exit = pmin(life, end), event = as.integer(life <= end), count = 1, exit_high = NA)
}
rounded <- function(n) { # ties and counts
    s <- draw(n)
    s$exit <- pmax(1, round(s$exit, -2))
    s$count <- sample(1:9, n, replace = TRUE)
    s
}
inspected <- function(n) { # exact, interval, left and right censored
    s <- draw(n)
    look <- max(s$exit) / sample(4:12, 1)
    seen <- s$event == 1 & runif(n) < 0.7
    below <- floor(s$exit / look) * look
    s$exit_high[seen] <- below[seen] + look
    s$exit[seen] <- below[seen]
    s
}
enough <- function(make, n, failures) repeat {
    s <- make(n)
    if (sum(s$event) >= failures) return(s)
}
samples <- c(
    lapply(1:16, function(i) enough(draw, sample(20:400, 1), 5)),
    lapply(1:8, function(i) enough(rounded, sample(20:100, 1), 8)),
    lapply(1:12, function(i) enough(inspected, sample(40:300, 1), 12)),
    lapply(1:12, function(i) enough(function(n) draw(n, late = TRUE), sample(60:400, 1), 20)),
    lapply(1:10, function(i) enough(draw, sample(3:8, 1), 2)),
    lapply(1:4, function(i) repeat { s <- draw(6); if (sum(s$event) == 1) return(s) }))
kinds <- rep(c("right", "counts", "interval", "late", "tiny", "one failure"), c(16, 8, 12, 12, 10, 4))

# ---- what the program says ----

file <- tempfile(fileext = ".csv")
rows <- do.call(rbind, lapply(seq_along(samples), function(i) cbind(sample = i, samples[[i]])))
for (column in c("entry", "exit", "exit_high"))
    rows[[column]] <- ifelse(is.na(rows[[column]]), "NA", sprintf("%.17g", rows[[column]]))
write.csv(rows, file, row.names = FALSE, quote = FALSE)
output <- strsplit(system2(arguments[1], file, stdout = TRUE), ",")
unlink(file)
pick <- function(what) do.call(rbind, output[sapply(output, `[`, 1) == what])
fits <- pick("fit")
numbers <- suppressWarnings(matrix(as.numeric(fits[, -(1:3)]), nrow(fits)))
colnames(numbers) <- c("n", "failures", "shape", "scale", "l", "v_scale", "v_shape", "cov",
                       "shape_lower", "shape_upper", "scale_lower", "scale_upper")
steps <- pick("step")
steps <- suppressWarnings(matrix(as.numeric(steps[, -1]), nrow(steps)))

# ---- comparing ----

worst <- list()
failed <- FALSE
near <- function(what, sample, got, want, tolerance, absolute = FALSE) {
    error <- abs(got - want) / (if (absolute) 1 else pmax(abs(want), 1e-300))
    same <- is.na(got) & is.na(want)
    error[same] <- 0
    error[is.na(error)] <- Inf
    worst[[what]] <<- max(worst[[what]], error)
    if (any(error > tolerance)) {
        at <- which.max(error)
        cat(sprintf("sample %d (%s), %s: got %.12g, want %.12g, error %.2g\n", sample, kinds[sample], what, got[at],
                    want[at], error[at]))
        failed <<- TRUE
    }
}

# Log-likelihood of a sample at (log scale, log shape).
log_likelihood <- function(p, s) {
    shape <- exp(p[2])
    hazard <- function(t) exp(shape * (log(t) - p[1]))
    interval <- !is.na(s$exit_high)
    exact <- s$event == 1 & !interval
    l <- hazard(s$entry) - hazard(s$exit)
    l[exact] <- l[exact] + p[2] - p[1] + (shape - 1) * (log(s$exit[exact]) - p[1])
    l[interval] <- l[interval] + log(-expm1(hazard(s$exit[interval]) - hazard(s$exit_high[interval])))
    sum(s$count * l)
}
by_optim <- function(s) {
    start <- c(log(mean(s$exit) * 2), 0)
    best <- NULL
    for (shape in c(0.3, 0.7, 1.5, 3)) {
        fit <- optim(c(start[1], log(shape)), log_likelihood, s = s, method = "BFGS",
                     control = list(fnscale = -1, reltol = 1e-15, maxit = 2000))
        if (is.null(best) || fit$value > best$value) best <- fit
    }
    information <- -optimHess(best$par, log_likelihood, s = s, control = list(ndeps = c(1e-4, 1e-4)))
    list(scale = exp(best$par[1]), shape = exp(best$par[2]), l = best$value, v = solve(information))
}
by_survreg <- function(s) {
    high <- ifelse(is.na(s$exit_high), s$exit, s$exit_high)
    high[s$event == 0] <- NA
    low <- ifelse(s$exit == 0, NA, s$exit)
    fit <- survreg(Surv(low, high, type = "interval2") ~ 1, weights = s$count,
                   control = survreg.control(rel.tolerance = 1e-13, maxiter = 200))
    v <- fit$var * outer(c(1, -1), c(1, -1)) # log shape is minus survreg's log scale
    list(scale = exp(unname(coef(fit))), shape = 1 / fit$scale, l = fit$loglik[2], v = v)
}

compare_fit <- function(i) {
    s <- samples[[i]]
    got <- as.list(numbers[i, ])
    if (kinds[i] == "one failure") { # shape 2 is assumed
        if (fits[i, 3] != "shape assumed") stop("sample ", i, " has one failure: ", fits[i, 3])
        scale <- sqrt(sum(s$exit^2))
        near("scale, shape known", i, got$scale, scale, 1e-10)
        near("log-likelihood, shape known", i, got$l, log_likelihood(log(c(scale, 2)), s), 1e-9, TRUE)
        return()
    }
    if (fits[i, 3] != "maximum likelihood") stop("sample ", i, ": ", fits[i, 3])
    late <- kinds[i] == "late"
    want <- if (late) by_optim(s) else by_survreg(s)
    near(if (late) "shape, late entry" else "shape", i, got$shape, want$shape, if (late) 1e-5 else 1e-6)
    near(if (late) "scale, late entry" else "scale", i, got$scale, want$scale, if (late) 1e-5 else 1e-6)
    near("log-likelihood", i, got$l, want$l, 1e-7, TRUE)
    se <- sqrt(diag(want$v))
    tolerance <- if (late) 1e-4 else 1e-5
    label <- if (late) "standard error, late entry" else "standard error"
    near(label, i, sqrt(got$v_scale), se[1], tolerance)
    near(label, i, sqrt(got$v_shape), se[2], tolerance)
    if (!late) near("covariance over errors", i, got$cov / prod(se), want$v[1, 2] / prod(se), 1e-5, TRUE)
    compare_ends(i, s, got)
}

# At an end of a likelihood-ratio interval, the best over the other parameter lies 3.84 / 2 below the maximum.
compare_ends <- function(i, s, got) {
    drop <- function(fixed, value, other) {
        f <- function(x) log_likelihood(if (fixed == "shape") c(x, value) else c(value, x), s)
        reach <- if (fixed == "shape") c(-5, 40) else c(-5, 5) # a low shape goes with a huge scale
        2 * (got$l - optimize(f, other + reach, maximum = TRUE, tol = 1e-10)$objective)
    }
    for (end in c("lower", "upper")) {
        shape <- got[[paste0("shape_", end)]]
        scale <- got[[paste0("scale_", end)]]
        if (!is.na(shape)) near("drop at an end of shape", i, drop("shape", log(shape), log(got$scale)), qchisq(0.95, 1),
                                1e-5)
        if (!is.na(scale)) near("drop at an end of scale", i, drop("scale", log(scale), log(got$shape)), qchisq(0.95, 1),
                                1e-5)
    }
}

compare_curve <- function(i) {
    s <- samples[[i]]
    age <- ifelse(is.na(s$exit_high), s$exit, s$exit_high)
    y <- if (kinds[i] == "late") Surv(s$entry, age, s$event) else Surv(age, s$event)
    fit <- survfit(y ~ 1, weights = s$count, conf.type = "log-log", timefix = FALSE)
    want <- summary(fit, times = fit$time[fit$n.event > 0])
    got <- steps[steps[, 1] == i, , drop = FALSE]
    if (nrow(got) != length(want$time)) stop("sample ", i, ": ", nrow(got), " steps, R has ", length(want$time))
    near("age of a step", i, got[, 2], want$time, 0)
    near("at risk", i, got[, 3], want$n.risk, 1e-12)
    near("survival", i, got[, 5], want$surv, 1e-10, TRUE)
    near("cumulative hazard", i, got[, 9], want$cumhaz, 1e-10)
    if (any(s$count != 1)) return() # survfit takes counts for case weights: other errors
    open <- want$surv > 1e-12
    near("error of survival", i, got[open, 6], want$std.err[open], 1e-9)
    near("limits of survival", i, got[open, 7:8], cbind(want$lower, want$upper)[open, ], 1e-9, TRUE)
    near("error of hazard", i, got[, 10], want$std.chaz, 1e-9)
}

if (nrow(fits) != length(samples)) stop(nrow(fits), " fits of ", length(samples), " samples")
for (i in seq_along(samples)) {
    compare_fit(i)
    compare_curve(i)
}
cat(length(samples), "samples; largest errors:\n")
for (what in names(worst)) cat(sprintf("  %-28s %.2g\n", what, worst[[what]]))
quit(status = as.integer(failed))
