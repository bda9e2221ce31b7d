package main

import "strings"

// sourceTable is sources.csv: the keys that the other tables use. SOURCES.md says more.
func sourceTable() string {
	rows := [][2]string{
		{"BAMB", "Bambynek 1984 / Cohen-Burhop-Hubbell fit"},
		{"CHEN", "Chen, Crasemann & Mark 1980/1983"},
		{"CHES", "Chen, Crasemann & Mark 1980/1983, scaled so that the decays do not exceed 1"},
		{"CRC", "handbook value from memory, unverified"},
		{"D03", "Deslattes et al. 2003, Rev. Mod. Phys. 75:35 (NIST SRD 128), experimental"},
		{"EADL", "Perkins et al. 1991, UCRL-50400 vol. 30 (EADL)"},
		{"ELAM", "Elam, Ravel & Sieber 2002"},
		{"ESTI", "estimate, see SOURCES.md"},
		{"GRAPH", "graphite, common practice, no source"},
		{"H93", "Henke, Gullikson & Davis 1993, At. Data Nucl. Data Tables 54:181"},
		{"H93S", "Henke, Gullikson & Davis 1993, joint step split between two sub-shells"},
		{"IUPAC", "IUPAC 2021 abridged"},
		{"KISS", "Kissel, free-atom calculation"},
		{"KISX", "Kissel continued from above the ramp to the edge"},
		{"KRAU", "Krause 1979, J. Phys. Chem. Ref. Data 8:307; L1 in part Campbell 2009"},
		{"MCG2", "McGuire 1972, Au M2 read as 0.00423, see SOURCES.md"},
		{"MCGU", "McGuire 1972, Phys. Rev. A 5:1043"},
		{"MIX", "blend of the sources of the rows around it"},
		{"MTRE", "Scofield 1974 continued from heavier elements, see SOURCES.md"},
		{"NONE", "no value"},
		{"SCOF", "Scofield 1974 (K: after Krause et al. 1978)"},
		{"STAR", "NIST STAR density list"},
		{"STAT", "statistical weight of the levels"},
		{"TOI", "binding energies and their differences, Table of Isotopes, 8th ed. (Firestone 1996)"},
		{"TOIM", "difference of binding energies, moved with the measured M5-N7"},
		{"XDB2", "X-Ray Data Booklet (LBNL 2009) Table 1-2"},
		{"XDB3", "X-Ray Data Booklet (LBNL 2009) Table 1-3"},
	}
	var b strings.Builder
	b.WriteString("key,source\n")
	for _, r := range rows {
		text := r[1]
		if strings.Contains(text, ",") {
			text = `"` + text + `"`
		}
		b.WriteString(r[0] + "," + text + "\n")
	}
	return b.String()
}
