#include "numeric.h"
#include "base/err.h"

#include <gsl/gsl_cdf.h>
#include <gsl/gsl_errno.h>
#include <gsl/gsl_linalg.h>
#include <gsl/gsl_sf_erf.h>
#include <gsl/gsl_sf_gamma.h>
#include <gsl/gsl_sf_psi.h>

/* By default GSL ends the process on a domain error; the value it returns then is NAN, which is enough. */
static void keep_gsl_alive(void)
{
    gsl_set_error_handler_off();
}

double normal_cdf(double x)
{
    return 0.5 * erfc(-x / M_SQRT2);
}

double normal_log_cdf(double x)
{
    keep_gsl_alive();
    return gsl_sf_log_erfc(-x / M_SQRT2) - M_LN2;
}

double normal_density(double x)
{
    return exp(-x * x / 2) / sqrt(2 * M_PI);
}

double normal_mills(double x)
{
    keep_gsl_alive();
    return 1 / gsl_sf_hazard(x);
}

double normal_quantile(double p)
{
    keep_gsl_alive();
    return gsl_cdf_ugaussian_Pinv(p);
}

double chi_square_quantile(double p, double freedom)
{
    keep_gsl_alive();
    return gsl_cdf_chisq_Pinv(p, freedom);
}

double chi_square_above(double x, double freedom)
{
    keep_gsl_alive();
    return gsl_cdf_chisq_Q(x, freedom);
}

double gamma_log(double x)
{
    keep_gsl_alive();
    return gsl_sf_lngamma(x);
}

double gamma_log_slope(double x)
{
    keep_gsl_alive();
    return gsl_sf_psi(x);
}

double gamma_log_bend(double x)
{
    keep_gsl_alive();
    return gsl_sf_psi_1(x);
}

double gamma_share(double a, double x)
{
    keep_gsl_alive();
    return gsl_cdf_gamma_P(x, a, 1);
}

/* The Cholesky factor, to be freed; NULL when there is none. */
static gsl_matrix *cholesky(const double *m, size_t n)
{
    keep_gsl_alive();
    gsl_matrix *factor = gsl_matrix_alloc(n, n);
    if (!factor)
        err_no_memory();
    gsl_matrix_const_view given = gsl_matrix_const_view_array(m, n, n);
    gsl_matrix_memcpy(factor, &given.matrix);
    if (gsl_linalg_cholesky_decomp1(factor) == GSL_SUCCESS)
        return factor;
    gsl_matrix_free(factor);
    return NULL;
}

bool numeric_solve(const double *m, size_t n, double *b)
{
    gsl_matrix *factor = cholesky(m, n);
    if (!factor)
        return false;
    gsl_vector_view x = gsl_vector_view_array(b, n);
    gsl_linalg_cholesky_svx(factor, &x.vector);
    gsl_matrix_free(factor);
    return true;
}

bool numeric_inverse(const double *m, size_t n, double *inverse)
{
    gsl_matrix *factor = cholesky(m, n);
    if (!factor)
        return false;
    gsl_linalg_cholesky_invert(factor);
    gsl_matrix_view out = gsl_matrix_view_array(inverse, n, n);
    gsl_matrix_memcpy(&out.matrix, factor);
    gsl_matrix_free(factor);
    return true;
}

double count_probability(int k, double mean, double variance)
{
    if (k < 0 || !(mean >= 0))
        return k < 0 ? 0 : D_NAN;
    if (mean == 0)
        return k == 0 ? 1 : 0;
    double excess = (variance - mean) / mean;
    if (!(excess > 1e-9))
        return exp(k * log(mean) - mean - gamma_log(k + 1.0));
    double size = mean / excess;
    return exp(gamma_log(size + k) - gamma_log(size) - gamma_log(k + 1.0) - size * log1p(excess) +
               k * log(excess / (1 + excess)));
}
