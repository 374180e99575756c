# Makes data/influence_values.json for test_influence_demidenko2005.py: lme4 fits without one group
# at a time, each on the rows that are left. Run by hand in tests/reference:
#   Rscript make_influence_values.R
# REML optimum sharpened by Newton steps on numerical gradients (the default stop is up to 1e-4
# short with two random terms); sum-to-zero coding; Kenward-Roger and Tukey by emmeans.
suppressMessages({library(lme4);library(pbkrtest);library(emmeans);library(jsonlite);library(numDeriv)})
options(contrasts=c("contr.sum","contr.poly"))
emm_options(lmerTest.limit=1e6,pbkrtest.limit=1e6)
emm_options(msg.interaction=FALSE)

sharpen <- function(formula,data){
  mc <- call("lmer",formula=formula,data=quote(.d),REML=TRUE)
  lf <- lFormula(formula,data,REML=TRUE)
  dev <- do.call(mkLmerDevfun,lf)
  opt <- optimizeLmer(dev,optimizer="bobyqa",control=list(rhoend=1e-10,maxfun=1e5),
    restart_edge=TRUE,boundary.tol=1e-6)
  th <- opt$par; th[th<1e-5] <- 0; free <- th>0
  g <- function(x){t2<-th;t2[free]<-x;dev(t2)}
  if(any(free)) for(it in 1:8){
    st <- solve(hessian(g,th[free]),grad(g,th[free]))
    if(any(!is.finite(st))) break
    th[free] <- th[free]-st
    if(max(abs(st/th[free]))<1e-11) break
  }
  opt$par <- th; opt$fval <- dev(th)
  mkMerMod(environment(dev),opt,lf$reTrms,fr=lf$fr,mc=mc)
}

answers <- function(m,data,term){
  .d <<- data
  vc <- as.data.frame(VarCorr(m))
  e <- emmeans(m,term,lmer.df="kenward-roger")
  list(n=nrow(getME(m,"X")),variances=setNames(as.list(vc$vcov),vc$grp),
    means=as.data.frame(summary(e,infer=c(TRUE,FALSE))),
    pairs=as.data.frame(summary(pairs(e,adjust="tukey"),infer=c(TRUE,TRUE))))
}

# Cook's distance by its definition; the coefficients of both fits are those of the same columns
study <- function(formula,data,term,group){
  m <- sharpen(formula,data)
  whole <- fixef(m); C <- as.matrix(vcov(m))
  out <- list(whole=answers(m,data,term),without=list())
  for(level in unique(as.character(group))){
    part <- droplevels(data[as.character(group)!=level,])
    m1 <- sharpen(formula,part)
    stopifnot(identical(names(fixef(m1)),names(whole)))
    apart <- whole-fixef(m1)
    out$without[[level]] <- c(answers(m1,part,term),
      list(cook=drop(apart%*%solve(C,apart))/length(apart)))
  }
  out
}

oats <- read.csv("data/oats.csv")[-c(5,6,30,51),]
oats$nitro <- factor(oats$nitro); oats$Block <- factor(oats$Block); oats$Variety <- factor(oats$Variety)
machines <- read.csv("data/machines.csv")[-c(2,3,6,8,9,12,19,20,27,33),]
machines$Worker <- factor(machines$Worker); machines$Machine <- factor(machines$Machine)
machines$both <- with(machines,interaction(Worker,Machine,sep=":",drop=TRUE))
cake <- read.csv("data/cake.csv")[-c(4,90,91,200),]
cake$recipe <- factor(cake$recipe); cake$temperature <- factor(cake$temperature)
cake$batch <- with(cake,interaction(recipe,replicate,sep=":",drop=TRUE))

one <- score~Machine+(1|Worker)+(1|both)
out <- list(
  versions=list(R=as.character(getRversion()),lme4=as.character(packageVersion("lme4")),
    pbkrtest=as.character(packageVersion("pbkrtest")),emmeans=as.character(packageVersion("emmeans"))),
  oats_blocks=study(yield~Variety*nitro+(1|Block)+(1|Block:Variety),oats,"Variety",oats$Block),
  machines_workers=study(one,machines,"Machine",machines$Worker),
  machines_pairs=study(one,machines,"Machine",machines$both),
  cake_replicates=study(angle~recipe*temperature+(1|batch),cake,"recipe",cake$replicate))
writeLines(toJSON(out,digits=12,auto_unbox=TRUE,na="null",dataframe="rows",pretty=1),
  "data/influence_values.json")
