package calc

import (
	"slices"
	"strconv"
	"time"

	"witnessmark/internal/errs"
	"witnessmark/internal/weather"
	"witnessmark/internal/working"
)

func speedUnit() Parameter {
	return choice("unit", "unit of the wind", weather.SpeedUnits()).or(string(weather.MetresPerSecond))
}

func weatherCalculations() []Calculation {
	uses := []string{}
	for _, l := range weather.WindLimits() {
		uses = append(uses, l.Use)
	}
	scale := func(help string) Parameter {
		return choice("scale", help, []string{"fahrenheit", "celsius"}).or("fahrenheit")
	}
	temperature := num("temperature", "air temperature in the shade", working.Domain{Min: -130, Max: 140})
	return []Calculation{
		{
			Name: "wind", Group: "weather", Safety: true, Title: "a wind reading against a limit, as of a time",
			Parameters: []Parameter{
				num("speed", "wind as read, in unit", weather.Speed),
				speedUnit(),
				choice("kind", "what was read", []weather.WindKind{weather.Mean, weather.Gust}),
				choice("at_work_height", "read at work height", []string{"yes", "no"}),
				num("height_metres", "height of the instrument", weather.HeightMetres),
				moment("read_at", "when it was read"),
				moment("as_of", "when it is compared"),
				choice("use", "limit to compare with", uses).or(weather.DefaultWindUse),
				num("limit", "the company's own limit instead, a mean, in unit", weather.Speed).maybe(),
				num("holds_minutes", "how long a reading holds", working.Domain{Min: 1, Max: 1440, Unit: "min"}).or("60"),
			},
			do: func(v values) (working.Working, error) {
				limits := weather.WindLimits()
				l := limits[slices.Index(uses, v.word("use"))]
				if own := v.given("limit"); own != nil {
					l = weather.WindLimit{Use: "own", Name: "as entered", Value: *own, High: *own, Unit: weather.SpeedUnit(v.word("unit")), Kind: weather.Mean,
						Source: working.Source{Document: "limit entered by the user: the company's own", Status: working.CommonPractice}}
				}
				r, err := weather.CompareWind(weather.WindReading{Speed: v.number("speed"), Unit: weather.SpeedUnit(v.word("unit")), Kind: weather.WindKind(v.word("kind")),
					AtWorkHeight: v.yes("at_work_height"), HeightMetres: v.number("height_metres"), At: v.time("read_at")},
					l, v.time("as_of"), time.Duration(v.number("holds_minutes")*float64(time.Minute)))
				return r.Working, err
			},
		},
		{
			Name: "lightning", Group: "weather", Safety: true, Title: "earliest end of the wait after thunder, lightning or a detection",
			Parameters: []Parameter{
				moment("times", "time of each event").many(),
				choice("kinds", "kind of each event", []weather.LightningKind{weather.Thunder, weather.Flash, weather.Detection}).many(),
				num("miles", "distance of each event, 0 for thunder and flash; may stay out when there is no detection", working.Domain{Min: 0, Max: 20_000, Unit: "miles"}).many().maybe(),
				moment("as_of", "when it is asked"),
			},
			do: func(v values) (working.Working, error) {
				if err := v.sameLength("times", "kinds"); err != nil {
					return working.Working{}, err
				}
				if v.has("miles") {
					if err := v.sameLength("times", "miles"); err != nil {
						return working.Working{}, err
					}
				}
				var events []weather.LightningEvent
				for i, at := range v.times["times"] {
					e := weather.LightningEvent{At: at, Kind: weather.LightningKind(v.words["kinds"][i])}
					if v.has("miles") {
						e.Miles = v.list("miles")[i]
					} else if e.Kind == weather.Detection {
						return working.Working{}, errs.Field("PARAMETER_MISSING", "miles", "must be given when there is a detection", "event", strconv.Itoa(i+1))
					}
					events = append(events, e)
				}
				r, err := weather.LightningTimer(events, v.time("as_of"))
				return r.Working, err
			},
		},
		{
			Name: "flash-to-bang", Group: "weather", Safety: true, Title: "distance of lightning from the time between flash and thunder",
			Parameters: []Parameter{num("seconds", "time from flash to thunder", weather.FlashSeconds)},
			do: func(v values) (working.Working, error) {
				r, err := weather.FlashToBang(v.number("seconds"))
				return r.Working, err
			},
		},
		{
			Name: "storm-distance", Group: "weather", Safety: true, Title: "distance of a storm at which people start down",
			Parameters: []Parameter{
				num("storm_mph", "speed of the storm", working.Domain{Min: 0, Max: 200, Unit: "mph"}),
				num("descent_minutes", "time to come down", working.Domain{Min: 0, Max: 600, Unit: "min"}),
				num("shelter_minutes", "time from the tower's foot into shelter", working.Domain{Min: 0, Max: 600, Unit: "min"}),
			},
			do: func(v values) (working.Working, error) {
				r, err := weather.StopDistance(weather.StopDistanceInput{StormMPH: v.number("storm_mph"), DescentMinutes: v.number("descent_minutes"), ShelterMinutes: v.number("shelter_minutes")})
				return r.Working, err
			},
		},
		{
			Name: "wind-chill", Group: "weather", Safety: true, Title: "wind chill from air temperature and wind",
			Parameters: []Parameter{
				temperature,
				num("wind", "wind at 33 ft (10 m)", weather.Speed),
				scale("fahrenheit with mph, or celsius with km/h"),
			},
			do: func(v values) (working.Working, error) {
				calculate := weather.WindChillFahrenheit
				if v.word("scale") == "celsius" {
					calculate = weather.WindChillCelsius
				}
				r, err := calculate(v.number("temperature"), v.number("wind"))
				return r.Working, err
			},
		},
		{
			Name: "heat-index", Group: "weather", Safety: true, Title: "heat index by the full method, with its category by a named set",
			Parameters: []Parameter{
				temperature,
				num("humidity", "relative humidity", weather.Humidity),
				scale("scale of the temperature"),
				choice("categories", "set of categories; they differ", weather.CategorySets()).or(string(weather.NewerWording)),
			},
			do: func(v values) (working.Working, error) {
				calculate := weather.HeatIndexFahrenheit
				if v.word("scale") == "celsius" {
					calculate = weather.HeatIndexCelsius
				}
				r, err := calculate(v.number("temperature"), v.number("humidity"), weather.Categories(v.word("categories")))
				return r.Working, err
			},
		},
		{
			Name: "wind-at-height", Group: "weather", Safety: true, Title: "estimate of the wind at another height; informs, is never compared with a limit",
			Parameters: []Parameter{
				num("speed", "wind as read, in unit", weather.Speed),
				speedUnit(),
				num("from_metres", "height of the reading", weather.HeightMetres),
				num("to_metres", "height wanted", weather.HeightMetres),
				num("exponent", "exponent of the profile; 1/7 over open terrain", weather.Exponent).or("0.142857142857"),
			},
			do: func(v values) (working.Working, error) {
				r, err := weather.WindAtHeight(v.number("speed"), weather.SpeedUnit(v.word("unit")), v.number("from_metres"), v.number("to_metres"), v.number("exponent"))
				return r.Working, err
			},
		},
		{
			Name: "wind-pressure", Group: "weather", Safety: true, Title: "pressure of the wind and its force on an area",
			Parameters: []Parameter{
				num("wind_mph", "wind", working.Domain{Min: 0, Max: 500, Unit: "mph"}),
				num("area_square_feet", "area", weather.Area),
				num("drag_factor", "drag factor", weather.DragFactor).or("1.2"),
			},
			do: func(v values) (working.Working, error) {
				r, err := weather.WindPressure(v.number("wind_mph"), v.number("area_square_feet"), v.number("drag_factor"))
				return r.Working, err
			},
		},
		{
			Name: "beaufort", Group: "weather", Safety: true, Title: "Beaufort force of a wind, by the table",
			Parameters: []Parameter{num("speed", "wind, in unit", weather.Speed), speedUnit()},
			do: func(v values) (working.Working, error) {
				r, err := weather.ForceOf(v.number("speed"), weather.SpeedUnit(v.word("unit")))
				return r.Working, err
			},
		},
	}
}
