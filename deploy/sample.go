// Package deploy holds what a railway installs beside the program.
package deploy

import _ "embed" // for the sample

// Sample is the configuration with every key, its default and what it does.
//
//go:embed throwline.yaml
var Sample string
