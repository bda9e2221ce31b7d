package xray

// transition is a pair of levels.
type transition struct{ initial, final Shell }

// siegbahnNames maps lines to their Siegbahn names, Jenkins, Manne, Robin & Senemaud 1991, X-Ray Spectrom. 20:149,
// Table VIII.2. Greek letters are written a, b, g, z, n (eta), v (nu).
var siegbahnNames = map[transition]string{
	{K, L3}: "Ka1", {K, L2}: "Ka2", {K, L1}: "Ka3", {K, M3}: "Kb1", {K, M2}: "Kb3", {K, N3}: "Kb2", {K, N2}: "Kb2",
	{K, N5}: "Kb4", {K, N4}: "Kb4", {K, M5}: "Kb5", {K, M4}: "Kb5",
	{L3, M5}: "La1", {L3, M4}: "La2", {L2, M4}: "Lb1", {L3, N5}: "Lb2", {L1, M3}: "Lb3", {L1, M2}: "Lb4",
	{L3, O4}: "Lb5", {L3, O5}: "Lb5", {L3, N1}: "Lb6", {L3, O1}: "Lb7", {L1, M5}: "Lb9", {L1, M4}: "Lb10",
	{L3, N4}: "Lb15", {L2, M3}: "Lb17", {L2, N4}: "Lg1", {L1, N2}: "Lg2", {L1, N3}: "Lg3", {L1, O3}: "Lg4",
	{L2, N1}: "Lg5", {L2, O4}: "Lg6", {L2, O1}: "Lg8", {L2, N6}: "Lv", {L2, M1}: "Ln", {L3, M1}: "Ll",
	{L3, M3}: "Ls", {L3, M2}: "Lt", {L3, N6}: "Lu", {L3, N7}: "Lu",
	{M5, N7}: "Ma1", {M5, N6}: "Ma2", {M4, N6}: "Mb", {M3, N5}: "Mg", {M5, N3}: "Mz", {M4, N2}: "Mz",
}

// siegbahnGroups are the names of unresolved groups and the spelled-out aliases.
var siegbahnGroups = map[string][]transition{
	"Ka": {{K, L2}, {K, L3}}, "Ka1,2": {{K, L2}, {K, L3}}, "Kb": {{K, M2}, {K, M3}}, "Kb1,3": {{K, M2}, {K, M3}},
	"La": {{L3, M4}, {L3, M5}}, "La1,2": {{L3, M4}, {L3, M5}}, "Lb2,15": {{L3, N4}, {L3, N5}},
	"Ma": {{M5, N6}, {M5, N7}}, "Ma1,2": {{M5, N6}, {M5, N7}},
	"Leta": {{L2, M1}}, "Lnu": {{L2, N6}},
}

// siegbahnOf returns the alias of a line, or "".
func siegbahnOf(initial, final Shell) string { return siegbahnNames[transition{initial, final}] }

// siegbahnLines returns the transitions that an ASCII Siegbahn name stands for, or nil.
func siegbahnLines(name string) []transition {
	if g, ok := siegbahnGroups[name]; ok {
		return g
	}
	var out []transition
	for i := K; int(i) < numInner; i++ {
		for f := i + 1; f < numShells; f++ {
			if siegbahnNames[transition{i, f}] == name {
				out = append(out, transition{i, f})
			}
		}
	}
	return out
}
