# Makes data/nonlinear/r_values.json: what R's nlme answers for nonlinear mixed models, and the
# data sets beside it. Run by hand in tests/reference: Rscript make_nonlinear_values.R
# Data: datasets::Loblolly (Kung 1986; height of 14 seed sources of loblolly pine at 6 ages) and
# datasets::CO2 (Potvin, Lechowicz, Tardif 1990; uptake of 12 plants at 7 concentrations), both part
# of R, and nlme::Orthodont (Potthoff, Roy 1964; a jaw distance of 27 children at 4
# ages). The stop is sharpened far beyond the default, which leaves 4 to 5 digits.
suppressMessages({library(nlme); library(jsonlite)})
options(digits = 15)
tight <- nlmeControl(maxIter = 500, pnlsMaxIter = 200, msMaxIter = 500, tolerance = 1e-12,
                     pnlsTol = 1e-12, msTol = 1e-12, returnObject = TRUE)

lob <- as.data.frame(Loblolly)
lob$Seed <- as.character(lob$Seed)
write.csv(lob, "data/nonlinear/loblolly.csv", row.names = FALSE, quote = FALSE)
co2 <- as.data.frame(CO2)
co2$Plant <- as.character(co2$Plant)
write.csv(co2, "data/nonlinear/co2.csv", row.names = FALSE, quote = FALSE)

told <- function(fit) {
  v <- as.matrix(pdMatrix(fit$modelStruct$reStruct[[1]])) * fit$sigma^2
  list(fixed = as.list(fixef(fit)), covariance = unname(fit$varFix), sigma = fit$sigma,
       random = as.list(setNames(diag(v), rownames(v))), logLik = as.numeric(logLik(fit)),
       method = fit$method, n = nrow(fit$groups))
}

start <- c(Asym = 103, R0 = -8.5, lrc = -3.3)
run <- function(data, random, method) {
  told(nlme(height ~ SSasymp(age, Asym, R0, lrc), data = data, groups = ~ Seed,
            fixed = Asym + R0 + lrc ~ 1, random = random, start = start, method = method,
            control = tight))
}
dropped <- c(2, 3, 9, 17, 18, 25, 31, 40, 41, 47, 52, 60, 66, 75, 80)
out <- list()
for (method in "ML") {
  out[[paste0("loblolly_end_", method)]] <- run(lob, Asym ~ 1, method)
  out[[paste0("loblolly_rate_", method)]] <- run(lob, lrc ~ 1, method)
  out[[paste0("loblolly_end_and_rate_", method)]] <- run(lob, pdDiag(Asym + lrc ~ 1), method)
  out[[paste0("loblolly_dropped_", method)]] <- run(lob[-dropped, ], pdDiag(Asym + R0 ~ 1), method)
}
out$dropped_rows <- dropped

# parameters that follow a design: the level of the plateau by origin and treatment
options(contrasts = c("contr.sum", "contr.poly"))
co2$Type <- factor(co2$Type, levels = c("Quebec", "Mississippi"))
co2$Treatment <- factor(co2$Treatment, levels = c("nonchilled", "chilled"))
for (method in "ML") {
  fit <- nlme(uptake ~ Asym * (1 - exp(-exp(lrc) * (conc - c0))), data = co2, groups = ~ Plant,
              fixed = list(Asym ~ Type * Treatment, lrc + c0 ~ 1), random = Asym ~ 1,
              start = c(32, 4, 2, 1, -4.6, 50), method = method, control = tight)
  out[[paste0("co2_design_", method)]] <- told(fit)
}
# Restricted likelihood. nlme(method = "REML") does not maximise it: its ratio of variances is that
# of ML and only sigma is rescaled (Loblolly, end: 13.8208 is 13.3272 x 84/81). So the two steps of
# Lindstrom and Bates are alternated here with nlme's own lme(): the tangent model
# w = y - f + X beta + Z b is fitted by REML, tangents are taken anew, until nothing moves.
alternate <- function(data, group, slopes, y, beta, random, designs) {
  k <- length(designs)
  cut <- rep(seq_len(k), sapply(designs, ncol))
  b <- matrix(0, nrow(data), length(random))
  for (round in 1:200) {
    phi <- sapply(seq_len(k), function(i) designs[[i]] %*% beta[cut == i])
    for (j in seq_along(random)) phi[, random[j]] <- phi[, random[j]] + b[, j]
    s <- slopes(phi)
    X <- do.call(cbind, lapply(seq_len(k), function(i) s$slopes[, i] * designs[[i]]))
    Z <- s$slopes[, random, drop = FALSE]
    d <- data.frame(w = y - s$value + X %*% beta + rowSums(Z * b), g = factor(group))
    d$X <- X
    for (j in seq_along(random)) d[[paste0("z", j)]] <- Z[, j]
    form <- as.formula(paste("~ 0 +", paste0("z", seq_along(random), collapse = " + ")))
    fit <- lme(w ~ 0 + X, data = d, random = list(g = pdDiag(form)), method = "REML",
               control = lmeControl(maxIter = 500, msMaxIter = 500, tolerance = 1e-13,
                                    msTol = 1e-13, niterEM = 50, returnObject = TRUE))
    now <- unname(fixef(fit))
    b <- as.matrix(ranef(fit))[as.character(group), , drop = FALSE]
    moved <- max(abs(now - beta) / (abs(now) + 1e-6))
    beta <- now
    if (moved < 1e-11) break
  }
  v <- diag(as.matrix(pdMatrix(fit$modelStruct$reStruct[[1]]))) * fit$sigma^2
  list(fixed = beta, covariance = unname(fit$varFix), sigma = fit$sigma, random = unname(v),
       logLik = as.numeric(logLik(fit)), rounds = round, n = nrow(data))
}
asymptote <- function(x) function(phi) {
  rate <- exp(phi[, 3]); e <- exp(-rate * x)
  list(value = phi[, 1] + (phi[, 2] - phi[, 1]) * e,
       slopes = cbind(1 - e, e, -(phi[, 2] - phi[, 1]) * e * rate * x))
}
one <- function(d) matrix(1, nrow(d), 1)
reml <- function(d, random) alternate(d, d$Seed, asymptote(d$age), d$height, c(103, -8.5, -3.3),
                                      random, list(one(d), one(d), one(d)))
out$loblolly_end_REML <- reml(lob, 1)
out$loblolly_rate_REML <- reml(lob, 3)
out$loblolly_end_and_rate_REML <- reml(lob, c(1, 3))
out$loblolly_dropped_REML <- reml(lob[-dropped, ], c(1, 2))
uptake <- function(x) function(phi) {
  rate <- exp(phi[, 2]); e <- exp(-rate * (x - phi[, 3]))
  list(value = phi[, 1] * (1 - e),
       slopes = cbind(1 - e, phi[, 1] * e * rate * (x - phi[, 3]), -phi[, 1] * e * rate))
}
out$co2_design_REML <- alternate(co2, co2$Plant, uptake(co2$conc), co2$uptake,
  c(32, 4, 2, 1, -4.6, 50), 1, list(model.matrix(~ Type * Treatment, co2), one(co2), one(co2)))

# a straight line from first to last age whose level and change differ between children
ort <- as.data.frame(Orthodont)
ort$Subject <- as.character(ort$Subject)
write.csv(ort[, c("distance", "age", "Subject", "Sex")], "data/nonlinear/orthodont.csv",
          row.names = FALSE, quote = FALSE)
ort$s <- (ort$age - 8) / 6
ort$bend <- 4 * ort$s * (1 - ort$s)
ort$Sex <- factor(ort$Sex, levels = c("Male", "Female"))
line <- function(formula) {
  fit <- lme(formula, data = ort, random = list(Subject = pdDiag(~ s)), method = "REML",
             control = lmeControl(maxIter = 500, msMaxIter = 500, tolerance = 1e-13,
                                  msTol = 1e-13, niterEM = 200))
  v <- diag(as.matrix(pdMatrix(fit$modelStruct$reStruct[[1]]))) * fit$sigma^2
  list(fixed = unname(fixef(fit)), covariance = unname(fit$varFix), sigma = fit$sigma,
       random = unname(v), logLik = as.numeric(logLik(fit)), n = nrow(ort))
}
out$orthodont_line <- line(distance ~ s)
out$orthodont_sex <- line(distance ~ Sex + s + Sex:s)
out$orthodont_quadratic <- line(distance ~ s + bend)
out$versions <- list(R = R.version.string, nlme = as.character(packageVersion("nlme")))
write(toJSON(out, digits = 14, auto_unbox = TRUE, pretty = TRUE), "data/nonlinear/r_values.json")
