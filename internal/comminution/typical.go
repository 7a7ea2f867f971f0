package comminution

// TypicalWorkIndex is a published average for a material, as a sanity range for a
// measured figure, never as ore data: ores of one name differ by half and more.
// LowKWhPerT and HighKWhPerT differ where the two tables do.
type TypicalWorkIndex struct {
	Material                string
	LowKWhPerT, HighKWhPerT float64
}

// Averages after Bond, Crushing and grinding calculations, 1961 (kWh per short ton
// x 1.1023) and Wills, Mineral Processing Technology, 7th ed., table 5.1, both from
// memory; checked against testdata/check-values/bond-work-index.csv.
var typical = []TypicalWorkIndex{
	{"andesite", 24.39, 24.39},
	{"barite", 4.73, 6.88},
	{"basalt", 22.50, 22.50},
	{"bauxite", 8.78, 10.42},
	{"cement clinker", 14.87, 14.87},
	{"chrome ore", 10.58, 10.58},
	{"clay", 7.83, 7.83},
	{"coal", 12.53, 13.00},
	{"copper ore", 14.47, 14.47},
	{"diorite", 21.38, 21.38},
	{"dolomite", 11.27, 12.47},
	{"feldspar", 12.86, 12.86},
	{"flint", 28.84, 28.84},
	{"fluorspar", 8.91, 10.76},
	{"gabbro", 20.34, 20.34},
	{"galena", 11.23, 11.23},
	{"garnet", 13.64, 13.64},
	{"gneiss", 22.19, 22.19},
	{"gold ore", 16.35, 16.35},
	{"granite", 15.13, 15.86},
	{"gravel", 27.75, 27.75},
	{"gypsum rock", 8.99, 8.99},
	{"hematite", 13.98, 13.98},
	{"ilmenite", 14.45, 14.45},
	{"iron ore", 17.02, 17.02},
	{"lead ore", 12.57, 12.57},
	{"lead-zinc ore", 12.51, 12.51},
	{"limestone", 12.74, 12.80},
	{"magnetite", 11.25, 11.25},
	{"manganese ore", 13.73, 13.73},
	{"mica", 148.26, 148.26},
	{"molybdenum ore", 14.30, 14.30},
	{"nickel ore", 13.10, 13.10},
	{"phosphate rock", 11.17, 11.17},
	{"pyrite ore", 9.81, 9.81},
	{"pyrrhotite ore", 10.55, 10.55},
	{"quartz", 13.57, 14.08},
	{"quartzite", 9.58, 13.43},
	{"sandstone", 12.71, 12.71},
	{"shale", 18.08, 18.08},
	{"silica sand", 18.14, 18.14},
	{"silver ore", 19.07, 19.07},
	{"slate", 15.24, 15.24},
	{"syenite", 16.42, 16.42},
	{"taconite", 16.39, 16.39},
	{"tin ore", 11.92, 11.92},
	{"titanium ore", 13.10, 13.10},
	{"trap rock", 23.26, 23.26},
	{"uranium ore", 19.76, 19.76},
	{"zinc ore", 13.69, 13.69},
}

// TypicalWorkIndices lists the published averages by material, A to Z.
func TypicalWorkIndices() []TypicalWorkIndex { return append([]TypicalWorkIndex(nil), typical...) }
