package poisson

import (
	"encoding/csv"
	"math"
	"os"
	"regexp"
	"sort"
	"strconv"
	"strings"
	"testing"

	"gonum.org/v1/gonum/floats/scalar"
)

// statisticsRows is the number of rows in testdata/statistics.csv, each of
// which is checked or listed in notApplicable.
const statisticsRows = 655

// notApplicable names the quantities of the table that this package does not
// offer, with the reason and the number of rows.
var notApplicable = map[string]struct {
	rows   int
	reason string
}{
	"chi2_pearson":                           {1, "weighted chi-square is not offered (biased on counts)"},
	"chi2_neyman_modified_max(n,1)":          {1, "weighted chi-square is not offered (biased on counts)"},
	"chi2_gamma_mighell":                     {1, "weighted chi-square is not offered"},
	"constant_fit_neyman":                    {1, "weighted chi-square is not offered (biased on counts)"},
	"constant_fit_pearson":                   {1, "weighted chi-square is not offered (biased on counts)"},
	"constant_fit_mighell_gamma":             {1, "weighted chi-square is not offered"},
	"bias_constant_neyman_max(n,1)_inf_bins": {8, "weighted chi-square is not offered (biased on counts)"},
	"bias_constant_pearson_inf_bins":         {8, "weighted chi-square is not offered (biased on counts)"},
	"bias_constant_mighell_gamma_inf_bins":   {8, "weighted chi-square is not offered"},
	"lima_eq5":                               {6, "only equation 17 is offered"},
	"lima_eq9":                               {6, "only equation 17 is offered; equation 9 overstates at few counts"},
	"C_test_binom_p_two-sided":               {5, "minimum-likelihood convention; the doubled tail is offered and checked by its own rows"},
	"E_test_p_two_sided_scipy1.10.1":         {4, "same as the exact rows, but one of them drops tied outcomes"},
	"agresti_coull_lo_unclipped":             {5, "not offered; ClopperPearson and Wilson are"},
	"agresti_coull_hi":                       {5, "not offered; ClopperPearson and Wilson are"},
	"gehrels_upper_approx_eq7":               {4, "approximation; the exact limit is offered"},
	"gehrels_upper_approx_eq9":               {4, "approximation; the exact limit is offered"},
	"np_power_gauss_approx":                  {5, "normal approximation; the exact power is checked"},
}

// exactTolerance is the agreement asked of rows with 14 or 15 printed digits:
// the special functions behind them are good to about 1e-12.
const exactTolerance = 1e-9

// inputs reads key=value pairs and key=[a;b;c] lists.
type inputs struct {
	t    *testing.T
	text string
}

var pairPattern = regexp.MustCompile(`([A-Za-z0-9_.()]+)=(\[[^\]]*\]|[-+0-9.eE]+)`)

func (in inputs) find(key string) string {
	in.t.Helper()
	for _, m := range pairPattern.FindAllStringSubmatch(in.text, -1) {
		if m[1] == key {
			return m[2]
		}
	}
	in.t.Fatalf("no input %q in %q", key, in.text)
	return ""
}

func (in inputs) f(key string) float64 {
	in.t.Helper()
	v, err := strconv.ParseFloat(in.find(key), 64)
	if err != nil {
		in.t.Fatalf("input %q: %v", key, err)
	}
	return v
}

func (in inputs) n(key string) int { in.t.Helper(); return int(in.f(key)) }

func (in inputs) list(key string) []float64 {
	in.t.Helper()
	var out []float64
	for _, s := range strings.Split(strings.Trim(in.find(key), "[]"), ";") {
		v, err := strconv.ParseFloat(s, 64)
		if err != nil {
			in.t.Fatalf("input %q: %v", key, err)
		}
		out = append(out, v)
	}
	return out
}

func (in inputs) ints(key string) []int {
	in.t.Helper()
	var out []int
	for _, v := range in.list(key) {
		out = append(out, int(v))
	}
	return out
}

func TestStatisticsTable(t *testing.T) {
	f, err := os.Open("testdata/statistics.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	rows = rows[1:]
	if len(rows) != statisticsRows {
		t.Errorf("table has %d rows, want %d", len(rows), statisticsRows)
	}
	checked := 0
	skipped := map[string]int{}
	for _, r := range rows {
		quantity, text, expected, source := r[0], r[1], r[2], r[3]
		if _, ok := notApplicable[quantity]; ok {
			skipped[quantity]++
			continue
		}
		want, err := strconv.ParseFloat(expected, 64)
		if err != nil {
			t.Fatalf("%s %s: %v", quantity, text, err)
		}
		got, tol, ok := checkRow(t, quantity, inputs{t, text})
		if !ok {
			t.Errorf("%s (%s): quantity is neither checked nor listed as not applicable", quantity, text)
			continue
		}
		checked++
		if !scalar.EqualWithinAbsOrRel(got, want, tol.abs, tol.rel) {
			t.Errorf("%s(%s) = %.15g, want %s (tolerance %+v), source: %s", quantity, text, got, expected, tol, source)
		}
	}
	var names []string
	listed := 0
	for q, na := range notApplicable {
		names = append(names, q)
		if skipped[q] != na.rows {
			t.Errorf("%s: %d rows not applicable, want %d", q, skipped[q], na.rows)
		}
		listed += skipped[q]
	}
	sort.Strings(names)
	if checked+listed != len(rows) {
		t.Errorf("%d rows checked and %d not applicable, want %d together", checked, listed, len(rows))
	}
	t.Logf("%d rows checked, %d not applicable:", checked, listed)
	for _, q := range names {
		t.Logf("  %2d %s: %s", notApplicable[q].rows, q, notApplicable[q].reason)
	}
}

type tolerance struct{ abs, rel float64 }

// checkRow computes the value of one row.
func checkRow(t *testing.T, quantity string, in inputs) (got float64, tol tolerance, ok bool) {
	// Absolute part: rows that print a plain 0 or a value near it.
	tol = tolerance{1e-14, exactTolerance}
	switch quantity {
	case "normal_quantile":
		got = normalUpperQuantile(1 - in.f("p"))
	case "normal_upper_tail":
		z := in.f("z")
		got = HalfChi2P(z * z)
	case "wilks_boundary_p":
		got = HalfChi2P(in.f("lnLR")) // the row writes "Lambda=2 lnLR=9"

	case "cash_C_baker_cousins_deviance":
		got = Deviance(in.list("n"), in.list("m"))
	case "cash_C_1979_form_2sum(m-n*ln m)":
		got = Cash(in.list("n"), in.list("m"))
	case "deviance_per_bin_mean":
		got, _ = ExpectedDeviance(in.f("mu"))
	case "deviance_per_bin_variance":
		_, got = ExpectedDeviance(in.f("mu"))
	case "poisson_loglik":
		n := in.list("x")
		m := make([]float64, len(n))
		for i := range m {
			m[i] = in.f("mu")
		}
		got = LogLikelihood(n, m)
	case "poisson_signed_root_LR_known_bkg":
		got = SignedRoot(in.f("n"), in.f("b"))
	case "poisson_p_known_bkg":
		got = TailP(in.n("n"), in.f("b"))

	case "constant_fit_poisson_ML":
		n := in.list("n")
		ones := make([]float64, len(n))
		for i := range ones {
			ones[i] = 1
		}
		got = fitTable(t, [][]float64{ones}, n).Amplitude[0]
	case "mlem_converged_a1", "mlem_converged_a2", "mlem_converged_deviance",
		"fisher_cov_11", "fisher_cov_12", "fisher_cov_22", "mlem_iter1_a1", "mlem_iter1_a2":
		got = emRow(t, quantity, in)
	case "crb_sigma_area_gauss_known_bkg":
		got = peakBound(t, in.f("A"), in.f("b_per_channel"), 4)
	case "overlap_rho_equal_gaussians":
		rho, _ := peakOverlap(t, in)
		got = rho
	case "overlap_variance_inflation":
		_, got = peakOverlap(t, in)

	case "poisson_upper_one_sided":
		got = UpperLimit(in.n("n"), in.f("CL"))
	case "poisson_lower_one_sided":
		got = LowerLimit(in.n("n"), in.f("CL"))
	case "zero_count_upper_limit":
		got = UpperLimit(0, in.f("CL"))
	case "zero_of_n_upper_limit_binomial":
		_, got = ClopperPearson(0, in.n("n"), 2*in.f("CL")-1)
	case "number_density_upper_limit_zero_found":
		got = UpperLimit(0, in.f("CL")) / (in.f("eff") * in.f("area_um2"))
	case "number_density_CI_lo":
		low, _ := Garwood(in.n("k"), 0.95)
		got = low / in.f("area")
	case "number_density_CI_hi":
		_, high := Garwood(in.n("k"), 0.95)
		got = high / in.f("area")
	case "clopper_pearson_lo":
		got, _ = ClopperPearson(in.n("x"), in.n("n"), 0.95)
	case "clopper_pearson_hi":
		_, got = ClopperPearson(in.n("x"), in.n("n"), 0.95)
	case "wilson_lo":
		got, _ = Wilson(in.n("x"), in.n("n"), 0.95)
	case "wilson_hi":
		_, got = Wilson(in.n("x"), in.n("n"), 0.95)
	case "feldman_cousins_lo_grid0.0025":
		got, _ = FeldmanCousins(in.n("n0"), in.f("b"), in.f("CL"))
		tol = tolerance{abs: 0.005} // two grid steps of the table
	case "feldman_cousins_hi_grid0.0025":
		_, got = FeldmanCousins(in.n("n0"), in.f("b"), in.f("CL"))
		tol = tolerance{abs: 0.005}

	case "currie_LC_paired":
		got = CurriePaired(in.f("B"), 0.05, 0.05).Critical
	case "currie_LD_paired":
		got = CurriePaired(in.f("B"), 0.05, 0.05).Detection
	case "currie_LQ_paired":
		got = CurriePaired(in.f("B"), 0.05, 0.05).Quantification
	case "currie_LC_known":
		got = CurrieKnown(in.f("B"), 0.05, 0.05).Critical
	case "currie_LD_known":
		got = CurrieKnown(in.f("B"), 0.05, 0.05).Detection
	case "currie_LQ_known":
		got = CurrieKnown(in.f("B"), 0.05, 0.05).Quantification
	case "poisson_critical_count_known_bkg(detect if n>nc)":
		got = float64(CriticalCount(in.f("B"), in.f("alpha")))
		tol = tolerance{}
	case "poisson_tail_at_nc P(N>nc)":
		got = TailP(CriticalCount(in.f("B"), in.f("alpha"))+1, in.f("B"))
	case "poisson_LD_exact_beta0.05":
		got = DetectionLimit(in.f("B"), in.f("alpha"), 0.05)
	case "np_power_flat_template_nonrandomised":
		got = TailP(CriticalCount(in.f("b"), in.f("alpha"))+1, in.f("b")+in.f("s"))
	case "np_power_flat_template_randomised":
		b, s, nc := in.f("b"), in.f("s"), CriticalCount(in.f("b"), in.f("alpha"))
		g := (in.f("alpha") - TailP(nc+1, b)) / math.Exp(logPMF(nc, b))
		got = TailP(nc+1, b+s) + g*math.Exp(logPMF(nc, b+s))
	case "asimov_Z":
		got = AsimovZ(in.f("s"), in.f("b"))

	case "iso11929_y", "iso11929_u", "iso11929_decision_threshold", "iso11929_detection_limit",
		"iso11929_lower", "iso11929_upper", "iso11929_best", "iso11929_u_best":
		got = isoRow(t, quantity, in)

	case "lima_eq17":
		got = LiMa(in.f("Non"), in.f("Noff"), in.f("alpha"))
	case "Z_PL(=LiMa eq17)":
		got = LiMa(in.f("non"), in.f("noff"), 1/in.f("tau"))
	case "binomial_onoff_p":
		got = OnOffP(in.f("non"), in.f("noff"), in.f("tau"))
	case "Z_Bi":
		got = OnOffZ(in.f("non"), in.f("noff"), in.f("tau"))

	case "C_test_binom_p_greater":
		got, _ = CTest(in.n("k1"), in.f("n1"), in.n("k2"), in.f("n2"))
	case "C_test_binom_p_less":
		got, _ = CTest(in.n("k2"), in.f("n2"), in.n("k1"), in.f("n1"))
	case "C_test_p_two_sided_doubled":
		_, got = CTest(in.n("k1"), in.f("n1"), in.n("k2"), in.f("n2"))
	case "C_test_mid_p_greater":
		// Half of the observed outcome's probability belongs to the tail.
		at, _ := CTest(in.n("k1"), in.f("n1"), in.n("k2"), in.f("n2"))
		above, _ := CTest(in.n("k1")+1, in.f("n1"), in.n("k2")-1, in.f("n2"))
		got = (at + above) / 2
	case "rate_ratio_CI95_lo":
		_, got, _ = RateRatio(in.n("k1"), in.f("n1"), in.n("k2"), in.f("n2"), 0.95)
	case "rate_ratio_CI95_hi":
		_, _, got = RateRatio(in.n("k1"), in.f("n1"), in.n("k2"), in.f("n2"), 0.95)
	case "E_test_statistic":
		got = eStatistic(in.f("k1"), in.f("n1"), in.f("k2"), in.f("n2"), 0)
	case "E_test_p_greater_exact_sum":
		got, _ = ETest(in.n("k1"), in.f("n1"), in.n("k2"), in.f("n2"), in.f("d"))
	case "E_test_p_two_sided_exact_sum":
		_, got = ETest(in.n("k1"), in.f("n1"), in.n("k2"), in.f("n2"), in.f("d"))
	case "E_test_paper_example_p":
		_, got = ETest(in.n("k1"), in.f("n1"), in.n("k2"), in.f("n2"), 0)
		tol = tolerance{abs: 0.5e-4} // four printed digits

	case "BH_adjusted_p":
		got = BenjaminiHochberg(benjaminiHochberg1995)[in.n("rank")-1]
	case "BY_adjusted_p":
		got = BenjaminiYekutieli(benjaminiHochberg1995)[in.n("rank")-1]
	case "BY_harmonic_c":
		got = harmonic(in.n("m"))
	case "BH_rejections":
		got = countTrue(Rejected(benjaminiHochberg1995, in.f("q")))
		tol = tolerance{}
	case "BY_rejections":
		for _, q := range BenjaminiYekutieli(benjaminiHochberg1995) {
			if q <= in.f("q") {
				got++
			}
		}
		tol = tolerance{}
	case "Bonferroni_rejections":
		// No function of its own: p ≤ α/m. Checks the 15 p-values.
		for _, p := range benjaminiHochberg1995 {
			if p <= in.f("alpha")/float64(len(benjaminiHochberg1995)) {
				got++
			}
		}
		tol = tolerance{}

	case "variance_to_mean_ratio":
		got, _ = DispersionTest(in.ints("x"))
	case "dispersion_chi2_p":
		_, got = DispersionTest(in.ints("x"))
	case "negbin_k_moments", "negbin_k_ML", "negbin_loglik_ML":
		nb, err := NegativeBinomialFit(in.ints("x"))
		if err != nil {
			t.Fatal(err)
		}
		got = map[string]float64{"negbin_k_moments": nb.KMoments, "negbin_k_ML": nb.K, "negbin_loglik_ML": nb.LogLikelihood}[quantity]
	case "permutation_p_one_sided_mean_diff":
		r, err := PermutationTest(in.list("treated"), in.list("blank"), PermutationOptions{})
		if err != nil {
			t.Fatal(err)
		}
		if !r.Exact || r.Splits != 252 {
			t.Errorf("permutation test looked at %d splits, exact %v, want all 252", r.Splits, r.Exact)
		}
		got = r.Greater
	default:
		return 0, tol, false
	}
	return got, tol, true
}

// benjaminiHochberg1995 are the 15 ordered p-values of the myocardial
// infarction example, Benjamini & Hochberg (1995), section 3.2.
var benjaminiHochberg1995 = []float64{
	.0001, .0004, .0019, .0095, .0201, .0278, .0298, .0344, .0459, .3240, .4262, .5719, .6528, .7590, 1.000,
}

func countTrue(b []bool) float64 {
	var n float64
	for _, v := range b {
		if v {
			n++
		}
	}
	return n
}

func fitTable(t *testing.T, templates [][]float64, counts []float64) *MixtureResult {
	t.Helper()
	m, err := NewMixture(templates)
	if err != nil {
		t.Fatal(err)
	}
	r, err := m.FitDense(counts)
	if err != nil {
		t.Fatal(err)
	}
	if r.Status != Converged {
		t.Fatalf("fit: %v", r.Status)
	}
	return r
}

func emRow(t *testing.T, quantity string, in inputs) float64 {
	t.Helper()
	templates := [][]float64{{.6, .3, .1, 0}, {.1, .2, .4, .3}}
	counts := []float64{7, 6, 5, 2}
	if in.text[:21] != "templates t1=[.6;.3;." {
		t.Fatalf("unexpected inputs %q", in.text)
	}
	if strings.HasPrefix(quantity, "mlem_iter1") {
		m, err := NewMixture(templates)
		if err != nil {
			t.Fatal(err)
		}
		var s MixtureScratch
		if _, _, err := m.gather(&s, []int32{0, 1, 2, 3}, counts); err != nil {
			t.Fatal(err)
		}
		s.a[0], s.a[1] = 10, 10
		s.expect(s.mean, s.a)
		s.gradient()
		s.emStep()
		if quantity == "mlem_iter1_a1" {
			return s.a[0]
		}
		return s.a[1]
	}
	r := fitTable(t, templates, counts)
	return map[string]float64{
		"mlem_converged_a1": r.Amplitude[0], "mlem_converged_a2": r.Amplitude[1], "mlem_converged_deviance": r.Deviance,
		"fisher_cov_11": r.Covariance[0], "fisher_cov_12": r.Covariance[1], "fisher_cov_22": r.Covariance[3],
	}[quantity]
}

// gaussian returns a unit Gaussian peak, integrated over channels.
func gaussian(channels int, centre, sigma float64) []float64 {
	g := make([]float64, channels)
	for i := range g {
		lo, hi := float64(i)-0.5-centre, float64(i)+0.5-centre
		g[i] = (math.Erf(hi/(sigma*math.Sqrt2)) - math.Erf(lo/(sigma*math.Sqrt2))) / 2
	}
	return g
}

func peakBound(t *testing.T, area, background, sigma float64) float64 {
	t.Helper()
	g := gaussian(121, 60, sigma)
	flat := make([]float64, len(g))
	for i := range flat {
		flat[i] = 1
	}
	m, err := NewMixture([][]float64{g, flat})
	if err != nil {
		t.Fatal(err)
	}
	info, err := m.Information([]float64{area, background})
	if err != nil {
		t.Fatal(err)
	}
	return 1 / math.Sqrt(info[0]) // the background is known
}

// peakOverlap returns the correlation of two small equal peaks on a flat known
// background and the inflation of the variance of one by the other. The
// limit of narrow channels is reached to all digits at 2 eV per channel.
func peakOverlap(t *testing.T, in inputs) (rho, inflation float64) {
	t.Helper()
	// "dE=35eV FWHM=75eV flat bkg"
	w := strings.Fields(in.text)
	num := func(s string) float64 {
		v, err := strconv.ParseFloat(strings.TrimSuffix(s[strings.Index(s, "=")+1:], "eV"), 64)
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
	const gain = 2
	sigma := num(w[1]) / math.Sqrt(8*math.Ln2) / gain
	shift := num(w[0]) / gain
	peak := func(centre float64) []float64 {
		p := make([]float64, 1000)
		for i := range p {
			z := (float64(i) - centre) / sigma
			p[i] = math.Exp(-z * z / 2)
		}
		return p
	}
	flat := make([]float64, 1000)
	for i := range flat {
		flat[i] = 1
	}
	m, err := NewMixture([][]float64{peak(450), peak(450 + shift), flat})
	if err != nil {
		t.Fatal(err)
	}
	info, err := m.Information([]float64{0, 0, 1})
	if err != nil {
		t.Fatal(err)
	}
	rho = info[1] / math.Sqrt(info[0]*info[4])
	return rho, 1 / (1 - rho*rho)
}

func isoRow(t *testing.T, quantity string, in inputs) float64 {
	t.Helper()
	r, err := ISO11929(GrossCount{
		Gross: in.f("ng"), GrossTime: in.f("tg"), Background: in.f("n0"), BackgroundTime: in.f("t0"),
		Factor: in.f("w"), FactorRelSD: in.f("urel(w)"), // α = β = γ = 0.05 by default
	})
	if err != nil {
		t.Fatal(err)
	}
	return map[string]float64{
		"iso11929_y": r.Value, "iso11929_u": r.Uncertainty,
		"iso11929_decision_threshold": r.DecisionThreshold, "iso11929_detection_limit": r.DetectionLimit,
		"iso11929_lower": r.Low, "iso11929_upper": r.High, "iso11929_best": r.Best, "iso11929_u_best": r.BestUncertainty,
	}[quantity]
}
