package instruments_test

import (
	"context"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"decktrim/edge"
	"decktrim/edge/instruments"
	"decktrim/internal/plant"
)

// plantOf is the plant file each ready board file is written for.
var plantOf = map[string]string{
	"mine-board.toml":      "small-line-mine-plant.toml",
	"toll-mill-board.toml": "larger-line-toll-mill-plant.toml",
}

// The ready board files are read by the board's own reader, fit their plant files
// channel by channel, and, with every bus simulated, measure each one through the
// very chips they name.
func TestReadyBoardFiles(t *testing.T) {
	t.Parallel()
	const config = "../../firmware-config"
	files, err := filepath.Glob(config + "/boards/*.toml")
	require.NoError(t, err)
	require.Len(t, files, len(plantOf), "each board file says here which plant it is for")
	for _, file := range files {
		t.Run(filepath.Base(file), func(t *testing.T) {
			t.Parallel()
			dir := t.TempDir()
			put := func(from, to string) {
				data, err := os.ReadFile(from)
				require.NoError(t, err)
				require.NoError(t, os.WriteFile(filepath.Join(dir, to), data, 0o644))
			}
			put(file, "edge.toml")
			put(filepath.Join(config, "plants", plantOf[filepath.Base(file)]), "plant.toml")
			cfg, err := edge.LoadConfig(filepath.Join(dir, "edge.toml"))
			require.NoError(t, err)
			for i := range cfg.Buses {
				require.NotEmpty(t, cfg.Buses[i].Path)
				cfg.Buses[i] = instruments.BusConfig{Name: cfg.Buses[i].Name, Kind: "simulated", Seed: 3, Scenario: "steady"}
			}
			set, err := instruments.Open(instruments.Options{Plant: cfg.Plant, Buses: cfg.Buses, Sensors: cfg.Sensors, Dir: cfg.Dir, Speed: 20})
			require.NoError(t, err)
			ctx, cancel := context.WithTimeout(t.Context(), 60*time.Second)
			defer cancel()
			read := map[string]plant.Reading{}
			require.NoError(t, set.Run(ctx, func(f plant.Frame) {
				for i, r := range f.Readings {
					c := cfg.Plant.Channels[i]
					// Only a bridge needs a calibration before it reads.
					if r.Usable() || r.Reason == plant.Uncalibrated && c.Signal == plant.Bridge {
						read[c.Name] = r
					}
				}
				if len(read) == len(cfg.Plant.Channels) {
					cancel()
				}
			}))
			require.NoError(t, set.Close())
			for i, c := range cfg.Plant.Channels {
				require.True(t, set.Measured(i), "%s has a sensor", c.Name)
				require.Contains(t, read, c.Name)
			}
		})
	}
}
