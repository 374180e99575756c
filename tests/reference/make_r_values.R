# Makes data/unbalanced/r_values.json: what R answers for the generated sets of
# make_unbalanced_sets.py. Run by hand in tests/reference: Rscript make_r_values.R
# REML optimum sharpened by Newton steps on numerical gradients (the default stop is up to 1e-4
# short with two random terms); sum-to-zero coding; Kenward-Roger by pbkrtest, Satterthwaite by
# lmerTest with rows "level i minus first level" (Kronecker products for interactions).
suppressMessages({library(lme4);library(lmerTest);library(pbkrtest);library(emmeans)
  library(jsonlite);library(numDeriv)})
options(contrasts=c("contr.sum","contr.poly"))
emm_options(lmerTest.limit=1e6,pbkrtest.limit=1e6)

sharpen <- function(formula,data){
  mc <- call("lmer",formula=formula,data=quote(.d),REML=TRUE)
  lf <- lFormula(formula,data,REML=TRUE,control=lmerControl(check.nobs.vs.nRE="ignore",
    check.rankX="silent.drop.cols",check.conv.singular="ignore"))
  dev <- do.call(mkLmerDevfun,lf)
  opt <- optimizeLmer(dev,optimizer="bobyqa",control=list(rhoend=1e-10,maxfun=1e5),
    restart_edge=TRUE,boundary.tol=1e-6)
  th <- opt$par; th[th<1e-5] <- 0; free <- th>0
  if(any(free)){
    g <- function(x){t2<-th;t2[free]<-x;dev(t2)}
    for(it in 1:8){
      gr<-grad(g,th[free]);H<-hessian(g,th[free]);st<-solve(H,gr)
      if(any(!is.finite(st)))break
      th[free]<-th[free]-st
      if(max(abs(st/th[free]))<1e-11)break
    }
    fg <- max(abs(grad(g,th[free])))
  } else fg <- 0
  fv <- dev(th); opt$par<-th; opt$fval<-fv
  m <- mkMerMod(environment(dev),opt,lf$reTrms,fr=lf$fr,mc=mc)
  mt <- suppressWarnings(lmerTest:::as_lmerModLT(m,dev))
  dev(th)
  m2 <- mkMerMod(environment(dev),opt,lf$reTrms,fr=lf$fr,mc=mc)
  list(m=m2,mt=mt,gradient=fg,singular=any(th==0))
}

# rows "level i minus first level" in sum-to-zero coefficients
difference <- function(k){ D<-matrix(0,k-1,k-1); D[,1]<- -1
  for(i in 2:k) if(i<k) D[i-1,i]<-D[i-1,i]+1 else D[i-1,]<-D[i-1,]-1
  D }

answers <- function(name,spec){
  d <- read.csv(file.path("data/unbalanced",paste0(name,".csv")),stringsAsFactors=TRUE)
  for(v in spec$random) d[[v]]<-factor(d[[v]])
  f <- as.formula(paste(spec$fixed,"+",paste0("(1|",spec$random,")",collapse=" + ")))
  P <- sharpen(f,d); m<-P$m; mt<-P$mt
  vc <- as.data.frame(VarCorr(m))
  X <- getME(m,"X"); as_<-attr(X,"assign"); tl<-attr(terms(m),"term.labels")
  full <- length(as_)==ncol(X) && !is.null(as_)
  out <- list(n=nrow(X),p=ncol(X),gradient=P$gradient,singular=P$singular,
    variances=setNames(as.list(vc$vcov),vc$grp),reml_criterion=unname(m@devcomp$cmp["REML"]))
  if(grepl("^empty",name)) return(out)
  V<-vcov(m); Va<-vcovAdj(m)
  out$anova_kr <- do.call(rbind,lapply(seq_along(tl),function(k){
    L<-diag(ncol(X))[as_==k,,drop=FALSE]
    s<-pbkrtest:::.KR_adjust(Va,V,L,fixef(m),0)
    data.frame(term=tl[k],df_num=s$ndf,df_den=s$ddf,F=s$Fstat,p=s$p.value)}))
  fac <- attr(terms(m),"factors")
  out$anova_satt <- do.call(rbind,lapply(seq_along(tl),function(k){
    vars<-rownames(fac)[fac[,k]>0]; D<-matrix(1,1,1)
    for(v in vars) if(is.factor(d[[v]])) D<-kronecker(difference(nlevels(d[[v]])),D)
    L<-matrix(0,nrow(D),ncol(X)); L[,as_==k]<-D
    s<-lmerTest::contestMD(mt,L)
    data.frame(term=tl[k],df_num=s$NumDF,df_den=s$DenDF,F=s[["F value"]],p=s[["Pr(>F)"]])}))
  e<-emmeans(m,~water,lmer.df="kenward-roger")
  out$means<-as.data.frame(summary(e,infer=c(TRUE,TRUE)))
  out$pairs<-as.data.frame(summary(pairs(e,adjust="tukey"),infer=c(TRUE,TRUE)))
  out
}

sets <- fromJSON("data/unbalanced/sets.json",simplifyVector=FALSE)
out <- list(versions=list(R=as.character(getRversion()),lme4=as.character(packageVersion("lme4")),
  lmerTest=as.character(packageVersion("lmerTest")),pbkrtest=as.character(packageVersion("pbkrtest")),
  emmeans=as.character(packageVersion("emmeans")),ordinal=as.character(packageVersion("ordinal"))))
for(name in names(sets)){ spec<-sets[[name]]; spec$random<-unlist(spec$random)
  out[[name]]<-answers(name,spec); cat(name,signif(out[[name]]$gradient,2),out[[name]]$singular,"\n") }

# cumulative link mixed models: the scores of the crossed sets cut into five categories
suppressMessages(library(ordinal))
clm_sets <- list(ordinal_1="crossed_1",ordinal_2="crossed_3",ordinal_3="crossed_4",ordinal_4="crossed_two_2")
for(name in names(clm_sets)){
  d <- read.csv(file.path("data/unbalanced",paste0(clm_sets[[name]],".csv")),stringsAsFactors=TRUE)
  d$rating <- factor(cut(d$y,c(-Inf,5,6,7,8,Inf),labels=FALSE))
  options(contrasts=c("contr.treatment","contr.poly"))
  m <- clmm(rating~water+hold+(1|judge)+(1|batch),data=d,control=clmm.control(gradTol=1e-8))
  m1 <- clmm(rating~water+hold+(1|judge),data=d,nAGQ=10,control=clmm.control(gradTol=1e-8))
  m3 <- clmm(rating~water+hold+(1|judge)+(1|ball)+(1|batch),data=d,control=clmm.control(gradTol=1e-8))
  out[[name]] <- list(source=clm_sets[[name]],cuts=c(5,6,7,8),
    three=list(coef=as.list(coef(m3)),logLik=as.numeric(logLik(m3)),
      variances=lapply(VarCorr(m3),function(v) v[1])),
    laplace=list(coef=as.list(coef(m)),logLik=as.numeric(logLik(m)),
      variances=lapply(VarCorr(m),function(v) v[1])),
    quadrature=list(coef=as.list(coef(m1)),logLik=as.numeric(logLik(m1)),
      variances=lapply(VarCorr(m1),function(v) v[1])))
  cat(name,"\n")
}
writeLines(toJSON(out,digits=12,auto_unbox=TRUE,pretty=TRUE,na="null",dataframe="rows"),
  "data/unbalanced/r_values.json")
