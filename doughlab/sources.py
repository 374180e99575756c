"""Constants, citations and cautions, each once and each with its source.

Called by every room that computes with a constant, names a method or prints a caution.
Leaves the constants of water chemistry and its cautions about acids to the water room.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from doughlab.errors import UnknownName

_CODATA = "CODATA 2018; exact since the SI of 2019"
_ATOMIC_WEIGHTS = "sum of the IUPAC abridged standard atomic weights"
_OWN_RULE = "rule of this project"


@dataclass(frozen=True)
class Constant:
    """A number with its unit and where it comes from.

    Attributes
    ----------
    name : str
        Key in `CONSTANTS`.
    value : float
        In `unit`.
    unit : str
        As printed; empty for a plain number.
    source : str
        Publication, standard or rule; says "from memory" where it was not seen on a page.

    Examples
    --------
    >>> print(CONSTANTS["cold_holding_c"])
    cold_holding_c = 5 °C (FDA Food Code 3-501.16: cold holding at 5 °C (41 °F) or less)
    """

    name: str
    value: float
    unit: str
    source: str

    def __str__(self) -> str:
        """Give name, value, unit and source in one line."""
        unit = f" {self.unit}" if self.unit else ""
        return f"{self.name} = {self.value:.10g}{unit} ({self.source})"


CONSTANTS: dict[str, Constant] = {
    constant.name: constant
    for constant in (
        Constant("gas_constant", 8.31446261815324, "J/(mol K)", _CODATA),
        Constant("faraday_constant", 96485.33212331001, "C/mol", _CODATA),
        Constant("zero_celsius_k", 273.15, "K", "definition of the degree Celsius"),
        Constant(
            "water_specific_heat", 4.186, "kJ/(kg K)", "the 15 °C calorie, rounded; from memory"
        ),
        Constant(
            "flour_specific_heat",
            1.76,
            "kJ/(kg K)",
            "usual figure for flour at 14 % moisture; from memory",
        ),
        Constant(
            "ice_latent_heat",
            333.55,
            "kJ/kg",
            "melting of ice at 0 °C, 143.4 Btu/lb (the trade's 144); from memory",
        ),
        Constant("water_density_20c", 0.9982, "kg/L", "tables of water density at 20 °C"),
        Constant("molar_mass_acetic", 60.052, "g/mol", _ATOMIC_WEIGHTS),
        Constant("molar_mass_citric", 192.123, "g/mol", f"anhydrous; {_ATOMIC_WEIGHTS}"),
        Constant("molar_mass_lactic", 90.078, "g/mol", _ATOMIC_WEIGHTS),
        Constant("molar_mass_bicarbonate_soda", 84.007, "g/mol", _ATOMIC_WEIGHTS),
        Constant("molar_mass_caco3", 100.0869, "g/mol", _ATOMIC_WEIGHTS),
        Constant(
            "caco3_mg_per_meq",
            50.04345,
            "mg/meq",
            "half the molar mass of calcium carbonate; phreeqc.dat rounds it to 50.05",
        ),
        Constant(
            "cold_holding_c",
            5.0,
            "°C",
            "FDA Food Code 3-501.16: cold holding at 5 °C (41 °F) or less",
        ),
        Constant(
            "low_conductivity_us_cm",
            100.0,
            "µS/cm",
            "scope of ASTM D5464 and D5128: below it ordinary electrodes, buffers and the CO2 of "
            "the air give errors",
        ),
        Constant(
            "low_alkalinity_mg_l",
            20.0,
            "mg/L as CaCO3",
            f"{_OWN_RULE}: below it a trace of acid or air moves the pH",
        ),
        Constant(
            "vinegar_least_strength_pct",
            4.0,
            "g per 100 mL",
            "FDA Compliance Policy Guide 525.825: at least 4 g acetic acid in 100 mL at 20 °C",
        ),
        Constant(
            "yeast_growth_optimum_c", 32.3, "°C", "Salvado et al. 2011, Saccharomyces cerevisiae"
        ),
        Constant(
            "yeast_growth_maximum_c", 45.4, "°C", "Salvado et al. 2011, Saccharomyces cerevisiae"
        ),
    )
}

FROM_MEMORY = " [from memory]"
# "[from memory]": the reference was not seen on a page when it was written down here.
CITATIONS: dict[str, str] = {
    # mixed models
    "patterson-thompson-1971": "Patterson, H. D., Thompson, R. (1971). Recovery of inter-block "
    "information when block sizes are unequal. Biometrika 58, 545-554. [from memory]",
    "satterthwaite-1946": "Satterthwaite, F. E. (1946). An approximate distribution of estimates "
    "of variance components. Biometrics Bulletin 2, 110-114. [from memory]",
    "fai-cornelius-1996": "Fai, A. H.-T., Cornelius, P. L. (1996). Approximate F-tests of multiple "
    "degree of freedom hypotheses in generalized least squares analyses of unbalanced split-plot "
    "experiments. J. Statist. Comput. Simul. 54, 363-378. [from memory]",
    "kenward-roger-1997": "Kenward, M. G., Roger, J. H. (1997). Small sample inference for fixed "
    "effects from restricted maximum likelihood. Biometrics 53, 983-997.",
    "kenward-roger-2009": "Kenward, M. G., Roger, J. H. (2009). An improved approximation to the "
    "precision of fixed effects from restricted maximum likelihood. Comput. Statist. Data Anal. "
    "53, 2583-2595.",
    "schaalje-2002": "Schaalje, G. B., McBride, J. B., Fellingham, G. W. (2002). Adequacy of "
    "approximations to distributions of test statistics in complex mixed linear models. J. Agric. "
    "Biol. Environ. Stat. 7, 512-524. [from memory]",
    "halekoh-hojsgaard-2014": "Halekoh, U., Højsgaard, S. (2014). A Kenward-Roger approximation "
    "and parametric bootstrap methods for tests in linear mixed models. J. Stat. Softw. 59(9).",
    # comparisons and verdicts
    "tukey-1953": "Tukey, J. W. (1953). The problem of multiple comparisons. Princeton "
    "University, unpublished. [from memory]",
    "kramer-1956": "Kramer, C. Y. (1956). Extension of multiple range tests to group means with "
    "unequal numbers of replications. Biometrics 12, 307-310. [from memory]",
    "dunnett-1955": "Dunnett, C. W. (1955). A multiple comparison procedure for comparing several "
    "treatments with a control. J. Amer. Statist. Assoc. 50, 1096-1121.",
    "schuirmann-1987": "Schuirmann, D. J. (1987). A comparison of the two one-sided tests "
    "procedure and the power approach for assessing the equivalence of average bioavailability. "
    "J. Pharmacokinet. Biopharm. 15, 657-680.",
    # designs and orders
    "iso-3534-3": "ISO 3534-3. Statistics: vocabulary and symbols, part 3: design of experiments. "
    "[from memory]",
    "williams-1949": "Williams, E. J. (1949). Experimental designs balanced for the estimation of "
    "residual effects of treatments. Austral. J. Sci. Res. A 2, 149-168.",
    "lenth-1989": "Lenth, R. V. (1989). Quick and easy analysis of unreplicated factorials. "
    "Technometrics 31, 469-473. [pages from memory]",
    "box-behnken-1960": "Box, G. E. P., Behnken, D. W. (1960). Some new three level designs for "
    "the study of quantitative variables. Technometrics 2, 455-475. [from memory]",
    "plackett-burman-1946": "Plackett, R. L., Burman, J. P. (1946). The design of optimum "
    "multifactorial experiments. Biometrika 33, 305-325. [from memory]",
    "meyer-nachtsheim-1995": "Meyer, R. K., Nachtsheim, C. J. (1995). The coordinate-exchange "
    "algorithm for constructing exact optimal experimental designs. Technometrics 37, 60-69. "
    "[from memory]",
    "jones-goos-2007": "Jones, B., Goos, P. (2007). A candidate-set-free algorithm for generating "
    "D-optimal split-plot designs. J. R. Stat. Soc. C 56, 347-364. [from memory]",
    "nist-handbook": "NIST/SEMATECH e-Handbook of Statistical Methods.",
    # judges and readings
    "shrout-fleiss-1979": "Shrout, P. E., Fleiss, J. L. (1979). Intraclass correlations: uses in "
    "assessing rater reliability. Psychol. Bull. 86, 420-428. [from memory]",
    "mccullagh-1980": "McCullagh, P. (1980). Regression models for ordinal data. J. R. Stat. Soc. "
    "B 42, 109-142. [from memory]",
    "iso-10523": "ISO 10523:2008. Water quality: determination of pH.",
    "astm-d5464": "ASTM D5464. pH measurement of water of low conductivity.",
    "aoac-981.12": "AOAC 981.12. pH of acidified foods; with 21 CFR 114.90.",
    "aacc-02-52.01": "AACC 02-52.01. Hydrogen-ion activity (pH), electrometric method.",
    "jis-z-8802": "JIS Z 8802. Methods for determination of pH of aqueous solutions.",
    "hetzer-1977": "Hetzer, H. B., et al. (1977). J. Res. Natl. Bur. Stand. 81A, 21.",
    # charts
    "iso-7870": "ISO 7870 (all parts). Control charts. [from memory]",
    "western-electric-1956": "Western Electric (1956). Statistical Quality Control Handbook.",
    "nelson-1984": "Nelson, L. S. (1984). The Shewhart control chart: tests for special causes. "
    "J. Qual. Technol. 16, 237-239. [pages from memory]",
    "roberts-1959": "Roberts, S. W. (1959). Control chart tests based on geometric moving "
    "averages. Technometrics 1, 239-250. [from memory]",
    "page-1954": "Page, E. S. (1954). Continuous inspection schemes. Biometrika 41, 100-115. "
    "[from memory]",
    # water and dough
    "plummer-busenberg-1982": "Plummer, L. N., Busenberg, E. (1982). Geochim. Cosmochim. Acta 46, "
    "1011.",
    "gran-1952": "Gran, G. (1952). Determination of the equivalence point in potentiometric "
    "titrations. Part II. Analyst 77, 661-671. [from memory]",
    "penniston-2008": "Penniston, K. L., et al. (2008). J. Endourol. 22, 567.",
    "choi-okos-1986": "Choi, Y., Okos, M. R. (1986). Effects of temperature and composition on "
    "the thermal properties of foods. [coefficients from memory]",
    "rask-1989": "Rask, C. (1989). Thermal properties of dough and bakery products: a review of "
    "published data. J. Food Eng. 9, 167. [title from memory]",
    "salvado-2011": "Salvado, Z., et al. (2011). Appl. Environ. Microbiol. 77, 2292.",
    "rosso-1993": "Rosso, L., Lobry, J. R., Flandrois, J. P. (1993). An unexpected correlation "
    "between cardinal temperatures of microbial growth highlighted by a new model. J. Theor. Biol. "
    "162, 447-463. [from memory]",
    "ratkowsky-1982": "Ratkowsky, D. A., Olley, J., McMeekin, T. A., Ball, A. (1982). Relationship "
    "between temperature and growth rate of bacterial cultures. J. Bacteriol. 149, 1-5. [from "
    "memory]",
    "ratkowsky-1983": "Ratkowsky, D. A., Lowry, R. K., McMeekin, T. A., Stokes, A. N., Chandler, "
    "R. E. (1983). Model for bacterial culture growth rate throughout the entire biokinetic "
    "temperature range. J. Bacteriol. 154, 1222-1226. [from memory]",
    "gaenzle-1998": "Gänzle (Gaenzle), M. G., Ehmann, M., Hammes, W. P. (1998). Modeling of growth "
    "of Lactobacillus sanfranciscensis and Candida milleri in response to process parameters of "
    "sourdough fermentation. Appl. Environ. Microbiol. 64, 2616-2623. [from memory]",
    "carslaw-jaeger-1959": "Carslaw, H. S., Jaeger, J. C. (1959). Conduction of Heat in Solids, "
    "2nd edition. Oxford. [from memory]",
    "lindstrom-bates-1990": "Lindstrom, M. J., Bates, D. M. (1990). Nonlinear mixed effects models "
    "for repeated measures data. Biometrics 46, 673-687. [from memory]",
    "schnute-1981": "Schnute, J. (1981). A versatile growth model with statistically stable "
    "parameters. Can. J. Fish. Aquat. Sci. 38, 1128-1140. [from memory]",
    "lentz-1976": "Lentz, W. J. (1976). Generating Bessel functions in Mie scattering calculations "
    "using continued fractions. Appl. Opt. 15, 668-671. [from memory]",
    "food-code": "U.S. Food and Drug Administration. Food Code, 3-501.16.",
    # files and calendars
    "rfc-5545": "RFC 5545 (2009). Internet Calendaring and Scheduling (iCalendar). [from memory]",
    "rfc-4180": "RFC 4180 (2005). Common format and MIME type for CSV files. [from memory]",
    "table-schema": "Frictionless Data: Table Schema and Data Package, open specifications. "
    "[from memory]",
}


@dataclass(frozen=True)
class Caution:
    """A sentence that stands on reports, sheets and cards, and why.

    Examples
    --------
    >>> CAUTIONS["not_for_sale"].source
    'rule of this project'
    """

    sentence: str
    source: str


_COMMON = "common practice, no source"

CAUTIONS: dict[str, Caution] = {
    "raw_dough": Caution(
        "Nobody eats or tastes raw flour or raw dough; wash hands, tools and tables after it.",
        "FDA notice on raw flour, 2016 (38 people ill in 20 states at that date)",
    ),
    "allergens": Caution(
        "Wheat is an allergen and dough holds gluten. Write every allergen of the formula on the "
        "label and tell whoever eats from it.",
        "U.S. Food Allergen Labeling and Consumer Protection Act 2004, from memory",
    ),
    "not_for_sale": Caution(
        "Trial, not for sale: write that and the date on every box and every bake.", _OWN_RULE
    ),
    "cold_holding": Caution(
        "Hold dough cold at 5 °C (41 °F) or below, colder where the local rule says so.",
        "FDA Food Code 3-501.16, as adopted in state codes",
    ),
    "warm_cooler": Caution(
        "The cooler was above 5 °C (41 °F): no advice on pH is given. Follow the hygiene plan of "
        "the kitchen.",
        f"{_OWN_RULE}, from FDA Food Code 3-501.16",
    ),
    "warm_up_ceiling": Caution(
        "Time at room temperature adds up, and time already spent counts. At the limit of your "
        "local rule the advice on warming up ends; follow the hygiene plan of the kitchen.",
        _OWN_RULE,
    ),
    "pierced_ball": Caution(
        "Take the reading on a piece that is thrown away. A pierced ball is never baked or served.",
        f"{_OWN_RULE}, from FDA Compliance Policy Guide 555.425 on glass in food",
    ),
    "glass_electrodes": Caution(
        "A glass electrode can break: keep it away from dough that will be eaten. If the bulb "
        "breaks, throw the whole batch away.",
        f"{_OWN_RULE}, from FDA Compliance Policy Guide 555.425 on glass in food",
    ),
    "meter_liquids": Caution(
        "Buffers, storage solution and cleaner are not food: rinse the electrode before and "
        "after every reading.",
        "21 CFR 114.90 for the potassium chloride solution; the rest from memory",
    ),
    "strips": Caution("Test strips are thrown away, and so is whatever they touched.", _COMMON),
    "meter": Caution(
        "A pH meter reads what it reads: take computed answers as ranges and check with the meter.",
        _OWN_RULE,
    ),
    "ph_is_no_permit": Caution(
        "A pH from a hand meter describes the dough. It does not tell how long dough may be kept "
        "or whether it may be served.",
        "FDA Food Code, table B: dough at pH 5 to 6 and high water activity needs an assessment",
    ),
    "judges": Caution(
        "Ask every judge about allergies, and for consent, before the first bite; anyone may "
        "stop at any time.",
        _COMMON,
    ),
    "phone_and_hands": Caution(
        "Phones carry dirt: wash hands between phone and dough, or let one person hold the phone.",
        _COMMON,
    ),
    "dough_only": Caution(
        "About the dough only; whether a water is fit to drink is not judged here.", _OWN_RULE
    ),
    "local_code": Caution(
        "Local code and licensed professionals decide what may be made, held and served. This "
        "tool records and compares.",
        _OWN_RULE,
    ),
}


def cite(keys: Iterable[str]) -> list[str]:
    """Give the full references for some keys, each once, in order.

    Raises
    ------
    UnknownName
        When a key is not in `CITATIONS`.

    Examples
    --------
    >>> cite(["kenward-roger-1997", "kenward-roger-1997"])[0][:33]
    'Kenward, M. G., Roger, J. H. (199'
    """
    found = []
    for key in dict.fromkeys(keys):
        if key not in CITATIONS:
            raise UnknownName("citation", key, CITATIONS)
        found.append(CITATIONS[key])
    return found


def caution_sentences(keys: Iterable[str] | None = None) -> list[str]:
    """Give the sentences of some cautions, or of all, each once, in order.

    Raises
    ------
    UnknownName
        When a key is not in `CAUTIONS`.

    Examples
    --------
    >>> caution_sentences(["strips"])
    ['Test strips are thrown away, and so is whatever they touched.']
    """
    found = []
    for key in dict.fromkeys(CAUTIONS if keys is None else keys):
        if key not in CAUTIONS:
            raise UnknownName("caution", key, CAUTIONS)
        found.append(CAUTIONS[key].sentence)
    return found
