package msa

import (
	"regexp"
	"strconv"
	"strings"
	"time"
)

// Recorded returns when the spectrum was recorded, as far as DATE and TIME say
// so without doubt. The format knows no time zone; UTC stands in for it. A date
// such as 03/04/2024, which may be read in two ways, gives false.
func (f *File) Recorded() (time.Time, bool) {
	d, _ := f.Lookup("DATE")
	t, _ := f.Lookup("TIME")
	day, _, ok := parseDate(d.Value)
	clock, _, okClock := parseClock(t.Value)
	if !ok || !okClock {
		return time.Time{}, false
	}
	return day.Add(clock), true
}

var (
	dateWord  = regexp.MustCompile(`^(\d{1,2})[- ]([A-Za-z]{3})[- ](\d{4})$`)
	dateISO   = regexp.MustCompile(`^(\d{4})[-/](\d{2})[-/](\d{2})$`)
	dateOther = regexp.MustCompile(`^(\d{1,2})[./](\d{1,2})[./](\d{4})$`)
	clockForm = regexp.MustCompile(`^(\d{1,2}):(\d{2})(?::(\d{2})(?:\.\d+)?)?(?:\s*([AaPp])\.?[Mm]\.?)?$`)
)

// months in the spelling of the format.
const months = "JANFEBMARAPRMAYJUNJULAUGSEPOCTNOVDEC"

// parseDate reads DD-MMM-YYYY (standard reports exactly that spelling), an ISO
// 8601 date, and DD.MM.YYYY or MM/DD/YYYY where only one order gives a date.
func parseDate(s string) (day time.Time, standard, ok bool) {
	if m := dateWord.FindStringSubmatch(s); m != nil {
		month := strings.Index(months, strings.ToUpper(m[2]))
		if month < 0 || month%3 != 0 {
			return time.Time{}, false, false
		}
		day, ok = makeDate(m[3], strconv.Itoa(month/3+1), m[1])
		canonical := ok && s == m[1]+"-"+strings.ToUpper(m[2])+"-"+m[3] && len(m[1]) == 2
		return day, canonical, ok
	}
	if m := dateISO.FindStringSubmatch(s); m != nil {
		day, ok = makeDate(m[1], m[2], m[3])
		return day, false, ok
	}
	if m := dateOther.FindStringSubmatch(s); m != nil {
		first, ok1 := makeDate(m[3], m[2], m[1])
		second, ok2 := makeDate(m[3], m[1], m[2])
		switch {
		case ok1 && ok2 && !first.Equal(second):
			return time.Time{}, false, false
		case ok1:
			return first, false, true
		}
		return second, false, ok2
	}
	return time.Time{}, false, false
}

// makeDate returns the date of year, month and day, all digits.
func makeDate(year, month, day string) (time.Time, bool) {
	y, _ := strconv.Atoi(year)
	m, _ := strconv.Atoi(month)
	d, _ := strconv.Atoi(day)
	t := time.Date(y, time.Month(m), d, 0, 0, 0, 0, time.UTC)
	return t, t.Year() == y && int(t.Month()) == m && t.Day() == d
}

// parseClock reads HH:MM (standard reports exactly that), also with seconds
// and AM or PM.
func parseClock(s string) (clock time.Duration, standard, ok bool) {
	m := clockForm.FindStringSubmatch(s)
	if m == nil {
		return 0, false, false
	}
	h, _ := strconv.Atoi(m[1])
	minute, _ := strconv.Atoi(m[2])
	second, _ := strconv.Atoi(m[3])
	if m[4] != "" {
		if h < 1 || h > 12 {
			return 0, false, false
		}
		h %= 12
		if strings.EqualFold(m[4], "p") {
			h += 12
		}
	}
	if h > 23 || minute > 59 || second > 60 {
		return 0, false, false
	}
	clock = time.Duration(h)*time.Hour + time.Duration(minute)*time.Minute + time.Duration(second)*time.Second
	return clock, len(s) == len("15:04") && m[4] == "", true
}

func checkDate(k Keyword, dev *collector) {
	switch day, standard, ok := parseDate(k.Value); {
	case !ok:
		dev.add(k.Line, "DATE", "%q is not a date that can be read in one way only; DD-MMM-YYYY expected", shorten(k.Value))
	case !standard:
		dev.add(k.Line, "DATE", "%q is not in the form DD-MMM-YYYY (%s)", shorten(k.Value), strings.ToUpper(day.Format("02-Jan-2006")))
	}
}

func checkTime(k Keyword, dev *collector) {
	switch _, standard, ok := parseClock(k.Value); {
	case !ok:
		dev.add(k.Line, "TIME", "%q is not a time of day; HH:MM expected", shorten(k.Value))
	case !standard:
		dev.add(k.Line, "TIME", "%q is not in the form HH:MM", shorten(k.Value))
	}
}
