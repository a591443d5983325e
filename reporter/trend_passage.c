#include "trend_passage.h"

#include "numeric.h"

double trend_passage_cdf(double t, double distance, double drift, double sd)
{
    if (distance <= 0)
        return 1;
    if (!(t > 0))
        return t <= 0 ? 0 : D_NAN;
    if (isinf(t))
        return drift >= 0 && (drift > 0 || sd > 0) ? 1 : exp(2 * drift / sd * distance / sd);
    if (sd <= 0)
        return drift * t >= distance ? 1 : 0;
    double root = sd * sqrt(t);
    /* The factor overflows where the probability underflows: their logarithms are added instead. */
    double reflected = 2 * drift / sd * distance / sd + normal_log_cdf(-(drift * t + distance) / root);
    return fmin(1, normal_cdf((drift * t - distance) / root) + exp(reflected));
}

/*
 * With a drift of mean m and variance v both terms of the inverse Gaussian law have closed integrals (Peng &
 * Tseng 2009; Si et al. 2013): with q = sd^2 t + v t^2, a = (m t - distance) / sqrt(q) and
 * b = ((m + 2 v distance / sd^2) t + distance) / sqrt(q) they are Phi(a) and exp((b^2 - a^2) / 2) Phi(-b).
 */
static double known_at_last(double a, double b)
{
    /* Of the second term's parts one overflows where the other underflows; their product never does. */
    if (b > 0)
        return fmin(1, normal_cdf(a) + normal_density(a) * normal_mills(b));
    return fmin(1, normal_cdf(a) + exp((b - a) * (b + a) / 2 + normal_log_cdf(-b)));
}

double trend_passage_unsure_cdf(double t, double distance, double drift, double drift_sd, double sd)
{
    if (!(drift_sd > 0) || distance <= 0 || !(t > 0))
        return trend_passage_cdf(t, distance, drift, sd);
    if (sd <= 0) /* as long as the path does not wander, only the drift decides */
        return normal_cdf(isinf(t) ? drift / drift_sd : (drift - distance / t) / drift_sd);
    double tilt = 2 * drift_sd / sd * drift_sd / sd * distance;
    if (isinf(t))
        return known_at_last(drift / drift_sd, (drift + tilt) / drift_sd);
    double root = hypot(sd * sqrt(t), drift_sd * t);
    return known_at_last((drift * t - distance) / root, ((drift + tilt) * t + distance) / root);
}

double trend_passage_quantile(double p, double distance, double drift, double sd)
{
    enum { ROUNDS = 200 };
    if (distance <= 0 || p <= 0)
        return 0;
    if (isnan(p) || trend_passage_cdf(D_INF, distance, drift, sd) <= p)
        return isnan(p) ? D_NAN : D_INF;
    if (sd <= 0)
        return distance / drift;

    /* Bisection on the logarithm of time, from a scale at which something happens. */
    double scale =
        drift > 0 ? fmin(distance / drift, distance / sd * distance / sd) : distance / sd * distance / sd;
    double low = log(scale), high = low;
    while (trend_passage_cdf(exp(low), distance, drift, sd) >= p)
        low -= 1;
    while (trend_passage_cdf(exp(high), distance, drift, sd) < p)
        high += 1;
    for (int i = 0; i < ROUNDS && high - low > 1e-14 * (1 + fabs(low)); i++) {
        double middle = (low + high) / 2;
        if (trend_passage_cdf(exp(middle), distance, drift, sd) < p)
            low = middle;
        else
            high = middle;
    }
    return exp((low + high) / 2);
}

void trend_wiener_fit(const double *dy, const double *dt, size_t n, double *mu, double *s2)
{
    double moved = 0, time = 0, squares = 0;
    for (size_t i = 0; i < n; i++) {
        moved += dy[i];
        time += dt[i];
    }
    *mu = moved / time;
    for (size_t i = 0; i < n; i++) {
        double rest = dy[i] - *mu * dt[i];
        squares += rest * rest / dt[i];
    }
    *s2 = squares / (double)n;
}

double inverse_gaussian_pdf(double x, double mean, double shape)
{
    if (!(x > 0))
        return x <= 0 ? 0 : D_NAN;
    double off = (x - mean) / mean;
    return sqrt(shape / (2 * M_PI * x * x * x)) * exp(-shape * off * off / (2 * x));
}

double inverse_gaussian_cdf(double x, double mean, double shape)
{
    return trend_passage_cdf(x, mean, 1, mean / sqrt(shape));
}
