# Restricted-likelihood estimates and profile ranges of variances, for test_spread_graybill1980.py.
# Run by hand in tests/reference:  Rscript make_spread_values.R > data/spread_values.json
# Base R only: V is written out as a full matrix, so that nothing is shared with the tested code.

d <- read.csv("data/machines.csv")
sets <- list(
  machines = d,
  machines_dropped = d[-c(2, 3, 6, 8, 9, 12, 19, 20, 27, 33), ]
)

indicator <- function(f) model.matrix(~ 0 + factor(f))
outer_of <- function(f) tcrossprod(indicator(f))

study <- function(d) {
  y <- d$score
  n <- length(y)
  one <- rep(1, n)
  k <- list(
    Worker = outer_of(d$Worker),
    Machine = outer_of(d$Machine),
    both = outer_of(paste(d$Worker, d$Machine)),
    `repeat` = diag(n)
  )
  criterion <- function(v) {
    V <- Reduce(`+`, Map(`*`, v, k))
    R <- chol(V)
    iV <- chol2inv(R)
    xx <- sum(iV)
    b <- sum(iV %*% y) / xx
    r <- y - b
    2 * sum(log(diag(R))) + log(xx) + drop(t(r) %*% iV %*% r)
  }
  # minimum over the other variances; starts from the estimate and from a flat guess
  search <- function(f, start) {
    best <- NULL
    for (s in start) {
      found <- nlminb(s, f, control = list(rel.tol = 1e-13, iter.max = 2000, eval.max = 5000))
      found <- nlminb(found$par, f, control = list(rel.tol = 1e-14, iter.max = 2000, eval.max = 5000))
      if (is.null(best) || found$objective < best$objective) best <- found
    }
    best
  }
  whole <- search(function(l) criterion(exp(l)), list(log(c(20, 50, 10, 1)), rep(2, 4)))
  est <- exp(whole$par)
  cut <- whole$objective + qchisq(0.95, 1)
  # value of one variance fixed
  at_single <- function(i) function(value) {
    f <- function(l) { v <- numeric(4); v[i] <- value; v[-i] <- exp(l); criterion(v) }
    search(f, list(log(est[-i]), rep(2, 3)))$objective - cut
  }
  # share of the worker fixed: worker = share / (1 - share) x sum of the others
  at_share <- function(share) {
    f <- function(l) { o <- exp(l); criterion(c(share / (1 - share) * sum(o), o)) }
    search(f, list(log(est[-1]), rep(2, 3), log(c(800, 14, 1)), log(c(8, 40, 1))))$objective - cut
  }
  # sum of all but the worker fixed: parts of it by odds
  at_measuring <- function(value) {
    f <- function(l) {
      p <- exp(c(0, l[2:3])); p <- p / sum(p)
      criterion(c(exp(l[1]), value * p))
    }
    s <- log(c(est[1], est[3:4] / est[2]))
    search(f, list(s, rep(0, 3)))$objective - cut
  }
  ends <- function(f, e, top = 1e5) c(
    uniroot(f, c(e * 1e-4, e), tol = 1e-10)$root,
    uniroot(f, c(e, top), tol = 1e-8)$root
  )
  share <- est[1] / sum(est)
  list(
    estimate = est,
    criterion = whole$objective + (n - 1) * log(2 * pi),
    worker = ends(at_single(1), est[1]),
    machine = ends(at_single(2), est[2]),
    both = ends(at_single(3), est[3]),
    `repeat` = ends(at_single(4), est[4]),
    measuring = ends(at_measuring, sum(est[-1])),
    share = ends(at_share, share, 1 - 1e-6)
  )
}

write_list <- function(x) paste0("[", paste(formatC(x, digits = 12, width = 1, format = "g"), collapse = ", "), "]")
blocks <- sapply(names(sets), function(name) {
  got <- study(sets[[name]])
  rows <- paste0("    \"", names(got), "\": ", sapply(got, write_list))
  paste0("  \"", name, "\": {\n", paste(rows, collapse = ",\n"), "\n  }")
})
cat("{\n  \"version\": \"", R.version.string, "\",\n", paste(blocks, collapse = ",\n"), "\n}\n", sep = "")
