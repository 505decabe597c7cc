package truth

import (
	"maps"
	"slices"
	"strings"
)

// EventMs returns the time of an event by its name: the ids of package phases
// as strings ("toe_touch"), the quarter-inch variants of ground events
// ("toe_touch_quarter_inch": the time a picture can first show it), and the
// file's own extras ("bat_level_side", "load_visible", "max_reach_tip",
// "peak_tip_speed"). ok is false when the swing has no such event.
func (f *File) EventMs(name string) (ms float64, ok bool) {
	ms, ok = f.events[name]
	return ms, ok
}

// EventNames lists every event the file has a time for, sorted.
func (f *File) EventNames() []string { return slices.Sorted(maps.Keys(f.events)) }

// Measure returns a measure by dotted path, such as
// "attack_angle_contact_deg.sweet_spot_3d"; the unit is in the name. ok is
// false when the path does not lead to a number.
func (f *File) Measure(path string) (value float64, ok bool) {
	var at any = f.measures
	for _, key := range strings.Split(path, ".") {
		m, isMap := at.(map[string]any)
		if !isMap {
			return 0, false
		}
		at = m[key]
	}
	value, ok = at.(float64)
	return value, ok
}

// MeasurePaths lists every path that Measure answers, sorted.
func (f *File) MeasurePaths() []string {
	var out []string
	var walk func(prefix string, v any)
	walk = func(prefix string, v any) {
		switch v := v.(type) {
		case map[string]any:
			for k, e := range v {
				if prefix != "" {
					k = prefix + "." + k
				}
				walk(k, e)
			}
		case float64:
			out = append(out, prefix)
		}
	}
	walk("", f.measures)
	slices.Sort(out)
	return out
}
