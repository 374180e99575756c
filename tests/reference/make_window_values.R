# Ranges of the ends of a window and of an hour, for test_window_fieller1954.py; no package.
# Invented data. Run: Rscript tests/reference/make_window_values.R
x <- c(5.1,5.2,5.25,5.3,5.4,5.45,5.5,5.6,5.65,5.7,5.8,5.9)
y <- c(5.6,6.2,6.1,6.9,6.8,7.3,7.1,7.2,6.6,6.9,6.2,5.4)
m <- lm(y ~ x + I(x^2)); b <- coef(m); t <- qt(.975, df.residual(m)); d <- 1
s2 <- sum(resid(m)^2) / df.residual(m); ss0 <- sum(resid(m)^2)
# residual sum of squares with one end held at L, the other coefficients free (profile)
prof <- function(L, side) {
  f <- function(k) { c <- -exp(k); top <- L + side * sqrt(-d / c); z <- c * (x - top)^2
    sum((y - mean(y - z) - z)^2) }
  optimize(f, c(-2, 8), tol = 1e-12)$objective
}
g <- function(L, side) (prof(L, side) - ss0) / s2 - t^2
top <- -b[2] / (2 * b[3]); half <- sqrt(-d / b[3])
root <- function(from, to, side) uniroot(g, c(from, to), side = side, tol = 1e-10)$root
cat("low end ", top - half, root(4.9, top - half, 1), root(top - half, top - .02, 1), "\n")
cat("high end", top + half, root(top + .02, top + half, -1), root(top + half, 6.2, -1), "\n")
# hour at which a fitted line passes 5.6: Fieller's range
h <- c(24, 24, 36, 36, 48, 48, 60, 60, 72, 72)
p <- c(5.86, 5.80, 5.74, 5.69, 5.60, 5.66, 5.52, 5.47, 5.44, 5.36)
l <- lm(p ~ h); a <- coef(l) - c(5.6, 0); V <- vcov(l); q <- qt(.975, df.residual(l))^2
k <- c(a[1]^2 - q * V[1, 1], 2 * (a[1] * a[2] - q * V[1, 2]), a[2]^2 - q * V[2, 2])
cat("hour", -a[1] / a[2], sort(Re(polyroot(k))), "\n")
cat(R.version.string, "\n")
