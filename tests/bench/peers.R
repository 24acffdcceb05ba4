# What R's survival package needs for the same work; prints one line of JSON.
# Rscript peers.R curves lives.csv REPEATS | Rscript peers.R hazards episodes.csv REPEATS
suppressMessages(library(survival))
asked <- commandArgs(trailingOnly = TRUE)
rows <- read.csv(asked[2])
repeats <- as.integer(asked[3])
timed <- function(work) {
  took <- c()
  for (run in seq_len(repeats)) {
    began <- proc.time()[["elapsed"]]
    found <- work()
    took <- c(took, proc.time()[["elapsed"]] - began)
  }
  list(seconds = median(took), found = found)
}
if (asked[1] == "curves") {
  plain <- timed(function() survfit(Surv(entry, exit, cause == 1) ~ 1, data = rows))
  rows$id <- seq_len(nrow(rows))
  rows$ending <- factor(rows$cause, 0:2, c("working", "failed", "other"))
  several <- timed(function() survfit(Surv(entry, exit, ending) ~ 1, data = rows, id = id))
  at <- summary(plain$found, times = 1826)
  both <- summary(several$found, times = 1826)
  cat(sprintf(
    '{"seconds": {"kaplan_meier": %.6f, "aalen_johansen": %.6f}, "found": [%.17g, %.17g]}\n',
    plain$seconds, several$seconds, at$surv, both$pstate[2]
  ))
} else {
  model <- Surv(start, stop, failed) ~ x1 + x2 + x3 + strata(stratum)
  exact <- coxph.control(eps = 1e-11, toler.chol = 1e-13, iter.max = 50)
  plain <- timed(function() coxph(model, data = rows, ties = "efron", control = exact))
  sturdy <- timed(function() {
    coxph(model, data = rows, ties = "efron", control = exact, cluster = unit)
  })
  cat(sprintf(
    '{"seconds": {"cox": %.6f, "cox_clustered": %.6f}, "found": [%s]}\n',
    plain$seconds, sturdy$seconds,
    paste(sprintf("%.17g", c(coef(plain$found), sqrt(diag(vcov(sturdy$found))))), collapse = ", ")
  ))
}
