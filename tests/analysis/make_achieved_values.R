# Slope of an invented response along the dough temperature, for test_achieved.py.
# Reads achieved.csv beside it; run: Rscript make_achieved_values.R
suppressMessages({library(lme4); library(pbkrtest)})
data <- na.omit(read.csv("achieved.csv"))
data$water <- factor(data$water)
data$hold <- factor(data$hold_h)
data$x <- data$dough_temp_c - mean(data$dough_temp_c)
fit <- lmer(ph ~ water * hold + x + (1 | batch), data, REML = TRUE,
            control = lmerControl(optCtrl = list(ftol_abs = 1e-14, xtol_abs = 1e-14)))
own <- as.numeric(names(fixef(fit)) == "x")
covariance <- as.matrix(vcovAdj(fit))
se <- sqrt(drop(t(own) %*% covariance %*% own))
df <- get_Lb_ddf(fit, own)
estimate <- fixef(fit)[["x"]]
half <- qt(0.975, df) * se
cat(sprintf("estimate %.8f\nstd_error %.8f\ndf %.6f\nci_low %.8f\nci_high %.8f\n",
            estimate, se, df, estimate - half, estimate + half))
print(VarCorr(fit), comp = "Variance", digits = 6)
cat(R.version.string, "; lme4", as.character(packageVersion("lme4")),
    "; pbkrtest", as.character(packageVersion("pbkrtest")), "\n")
