package daemon

import (
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

// sparkplugChecklist are the requirements of the Sparkplug specification 3.0 that
// a host application has to keep, and those of edge nodes that the reading of
// their messages rests on, by their numbers (tck-id- before each) as they stand
// in the specification's chapters 4 to 6; which test shows each, or why none
// does. Requirements of brokers, and of edge nodes among themselves, are left out.
var sparkplugChecklist = map[string]string{
	// The host's connection and its STATE.
	"message-flow-phid-sparkplug-clean-session-311":                                   "TestSparkplugSession",
	"message-flow-phid-sparkplug-clean-session-50":                                    "no: MQTT 5 is not spoken",
	"message-flow-phid-sparkplug-subscription":                                        "TestSparkplugSession",
	"message-flow-phid-sparkplug-state-publish":                                       "TestSparkplugSession",
	"message-flow-phid-sparkplug-state-publish-payload":                               "TestSparkplugSession",
	"message-flow-phid-sparkplug-state-publish-payload-timestamp":                     "TestSparkplugSession",
	"message-flow-hid-sparkplug-state-message-delivered":                              "TestSparkplug",
	"host-topic-phid-birth-message":                                                   "TestSparkplugSession",
	"host-topic-phid-birth-qos":                                                       "TestSparkplugSession",
	"host-topic-phid-birth-retain":                                                    "TestSparkplugSession",
	"host-topic-phid-birth-topic":                                                     "TestCommandAndState",
	"host-topic-phid-birth-sub-required":                                              "TestSparkplugSession",
	"host-topic-phid-birth-required":                                                  "TestSparkplugSession",
	"host-topic-phid-birth-payload":                                                   "TestCommandAndState",
	"host-topic-phid-birth-payload-timestamp":                                         "TestSparkplugSession",
	"host-topic-phid-death-qos":                                                       "TestSparkplugSession",
	"host-topic-phid-death-retain":                                                    "TestSparkplugSession",
	"host-topic-phid-death-topic":                                                     "TestSparkplugSession",
	"host-topic-phid-death-required":                                                  "TestSparkplugSession",
	"host-topic-phid-death-payload":                                                   "TestSparkplugSession",
	"host-topic-phid-death-payload-timestamp-connect":                                 "TestSparkplugSession",
	"host-topic-phid-death-payload-timestamp-disconnect-clean":                        "TestSparkplug",
	"host-topic-phid-death-payload-timestamp-disconnect-with-no-disconnect-packet":    "no: we always say goodbye when we can",
	"payloads-state-will-message":                                                     "TestSparkplugSession",
	"payloads-state-will-message-qos":                                                 "TestSparkplugSession",
	"payloads-state-will-message-retain":                                              "TestSparkplugSession",
	"payloads-state-will-message-payload":                                             "TestSparkplugSession",
	"payloads-state-subscribe":                                                        "TestSparkplugSession",
	"payloads-state-birth":                                                            "TestSparkplugSession",
	"payloads-state-birth-payload":                                                    "TestSparkplugSession",
	"operational-behavior-host-application-host-id":                                   "no: whoever configures host_id sees to it",
	"operational-behavior-host-application-connect-will":                              "TestSparkplugSession",
	"operational-behavior-host-application-connect-will-topic":                        "TestSparkplugSession",
	"operational-behavior-host-application-connect-will-payload":                      "TestSparkplugSession",
	"operational-behavior-host-application-connect-will-qos":                          "TestSparkplugSession",
	"operational-behavior-host-application-connect-will-retained":                     "TestSparkplugSession",
	"operational-behavior-host-application-connect-birth":                             "TestSparkplugSession",
	"operational-behavior-host-application-connect-birth-topic":                       "TestSparkplugSession",
	"operational-behavior-host-application-connect-birth-payload":                     "TestSparkplugSession",
	"operational-behavior-host-application-connect-birth-qos":                         "TestSparkplugSession",
	"operational-behavior-host-application-connect-birth-retained":                    "TestSparkplugSession",
	"operational-behavior-host-application-multi-server-timestamp":                    "TestSparkplugSession", // one connection at a time, with its own
	"operational-behavior-host-application-termination":                               "TestSparkplug",
	"operational-behavior-host-application-death-topic":                               "TestSparkplug",
	"operational-behavior-host-application-death-payload":                             "TestSparkplugSession",
	"operational-behavior-host-application-death-qos":                                 "TestSparkplugSession",
	"operational-behavior-host-application-death-retained":                            "TestSparkplugSession",
	"operational-behavior-host-application-disconnect-intentional":                    "TestSparkplug",
	"operational-behavior-primary-application-state-with-multiple-servers-state":      "TestSparkplugSession",
	"operational-behavior-primary-application-state-with-multiple-servers-state-subs": "no: one broker at a time, or one cluster, is what is configured",

	// Order.
	"operational-behavior-host-reordering-param":    "no: there is no reorder timeout; brokers keep the order, and a gap is a loss",
	"operational-behavior-host-reordering-start":    "no: there is no reorder timeout",
	"operational-behavior-host-reordering-success":  "no: there is no reorder timeout",
	"operational-behavior-host-reordering-rebirth":  "TestSequence", // at once
	"payloads-sequence-num-always-included":         "TestSequence",
	"payloads-sequence-num-req-nbirth":              "TestRefusals",
	"payloads-sequence-num-incrementing":            "TestSequence",
	"payloads-ndata-seq":                            "TestSequence",
	"payloads-ndata-seq-inc":                        "TestSequence",
	"payloads-ddata-seq":                            "TestSequence",
	"payloads-ddata-seq-inc":                        "TestSequence",
	"payloads-dbirth-seq":                           "TestSequence",
	"payloads-dbirth-seq-inc":                       "TestSequence",
	"payloads-ddeath-seq":                           "TestDeaths",
	"payloads-ddeath-seq-inc":                       "TestDeaths",
	"payloads-ddeath-seq-number":                    "TestDeaths",
	"payloads-nbirth-seq":                           "TestRefusals",
	"topics-nbirth-seq-num":                         "TestBirthsAndData",
	"topics-ndata-seq-num":                          "TestSequence",
	"topics-ddata-seq-num":                          "TestSequence",
	"topics-dbirth-seq":                             "TestSequence",
	"topics-ddeath-seq-num":                         "TestDeaths",
	"payloads-dbirth-order":                         "TestUnknown",
	"payloads-ndata-order":                          "TestUnknown",
	"payloads-ddata-order":                          "TestUnknown",
	"message-flow-device-birth-publish-nbirth-wait": "TestUnknown",

	// Births and deaths.
	"payloads-nbirth-bdseq":        "TestDeaths",
	"payloads-nbirth-bdseq-repeat": "TestDeaths",
	"payloads-ndeath-bdseq":        "TestDeaths",
	"payloads-ndeath-seq":          "TestDeaths",
	"topics-nbirth-bdseq-included": "TestDeaths",
	"topics-nbirth-bdseq-matching": "TestDeaths",
	"topics-ndeath-payload":        "TestDeaths",
	"topics-ndeath-seq":            "TestDeaths",
	"payloads-ndeath-will-message": "TestSparkplugWill",
	"operational-behavior-edge-node-termination-host-action-ndeath-node-offline":       "TestDeaths",
	"operational-behavior-edge-node-termination-host-action-ndeath-node-tags-stale":    "TestDeaths",
	"operational-behavior-edge-node-termination-host-action-ndeath-devices-offline":    "TestDeaths",
	"operational-behavior-edge-node-termination-host-action-ndeath-devices-tags-stale": "TestDeaths",
	"operational-behavior-edge-node-termination-host-action-ddeath-devices-offline":    "TestDeaths",
	"operational-behavior-edge-node-termination-host-action-ddeath-devices-tags-stale": "TestDeaths",
	"operational-behavior-data-publish-nbirth":                                         "TestBirthsAndData",
	"operational-behavior-data-publish-nbirth-change":                                  "TestBirthsAndData",
	"operational-behavior-data-publish-nbirth-values":                                  "TestBirthsAndData",
	"operational-behavior-data-publish-nbirth-order":                                   "TestBirthsAndData",
	"operational-behavior-data-publish-dbirth":                                         "TestBirthsAndData",
	"operational-behavior-data-publish-dbirth-change":                                  "TestBirthsAndData",
	"operational-behavior-data-publish-dbirth-values":                                  "TestBirthsAndData",
	"operational-behavior-data-publish-dbirth-order":                                   "TestHistorical",
	"topics-nbirth-metrics": "TestBirthsAndData",
	"topics-dbirth-metrics": "TestBirthsAndData",
	"topics-ndata-payload":  "TestBirthsAndData",
	"topics-ddata-payload":  "TestBirthsAndData",

	// Commands.
	"topics-ncmd-topic":                                       "TestSequence",
	"topics-ncmd-mqtt":                                        "TestSparkplug",
	"topics-ncmd-timestamp":                                   "TestSparkplug",
	"topics-ncmd-payload":                                     "TestCommandAndState",
	"payloads-ncmd-timestamp":                                 "TestSparkplug",
	"payloads-ncmd-seq":                                       "TestSparkplug",
	"payloads-ncmd-qos":                                       "TestSparkplug",
	"payloads-ncmd-retain":                                    "TestSparkplug",
	"operational-behavior-data-commands-ncmd-verb":            "TestSequence",
	"operational-behavior-data-commands-ncmd-metric-name":     "TestSparkplug",
	"operational-behavior-data-commands-ncmd-metric-value":    "TestCommandAndState",
	"operational-behavior-data-commands-ncmd-rebirth-verb":    "TestSequence",
	"operational-behavior-data-commands-ncmd-rebirth-name":    "TestCommandAndState",
	"operational-behavior-data-commands-ncmd-rebirth-value":   "TestCommandAndState",
	"operational-behavior-data-commands-rebirth-name-aliases": "TestCommandAndState",
	"topics-dcmd-topic":                                       "no: devices are commanded nothing",
	"operational-behavior-data-commands-dcmd-verb":            "no: devices are commanded nothing",

	// Topics.
	"topic-structure":                                                  "TestTopics",
	"topic-structure-namespace-a":                                      "TestTopics",
	"topic-structure-namespace-valid-group-id":                         "TestTopics",
	"topic-structure-namespace-valid-edge-node-id":                     "TestTopics",
	"topic-structure-namespace-valid-device-id":                        "TestTopics",
	"topic-structure-namespace-unique-edge-node-descriptor":            "TestSparkplugWill", // {group}-{node}
	"topic-structure-namespace-duplicate-device-id-across-edge-node":   "TestBirthsAndData",
	"topic-structure-namespace-device-id-associated-message-types":     "TestTopics",
	"topic-structure-namespace-device-id-non-associated-message-types": "TestTopics",
	"topics-nbirth-topic":                                              "TestTopics",
	"topics-ndata-topic":                                               "TestTopics",
	"topics-ndeath-topic":                                              "TestTopics",
	"topics-dbirth-topic":                                              "TestTopics",
	"topics-ddata-topic":                                               "TestTopics",
	"topics-ddeath-topic":                                              "TestTopics",

	// Payloads.
	"payloads-timestamp-in-UTC":                  "TestEveryDatatype",
	"payloads-metric-timestamp-in-UTC":           "TestEveryDatatype",
	"payloads-name-requirement":                  "TestBirthsAndData",
	"payloads-name-birth-data-requirement":       "TestHistorical",
	"payloads-name-cmd-requirement":              "TestCommandAndState",
	"payloads-alias-uniqueness":                  "TestBirthsAndData",
	"payloads-alias-birth-requirement":           "TestBirthsAndData",
	"payloads-alias-data-cmd-requirement":        "TestBirthsAndData",
	"payloads-metric-datatype-value-type":        "TestRefusals",
	"payloads-metric-datatype-value":             "TestRefusals",
	"payloads-metric-datatype-req":               "TestBirthsAndData",
	"payloads-metric-datatype-not-req":           "TestBirthsAndData",
	"payloads-propertyset-keys-array-size":       "TestRefusals",
	"payloads-propertyset-values-array-size":     "TestRefusals",
	"payloads-metric-propertyvalue-type-type":    "TestEveryDatatype",
	"payloads-metric-propertyvalue-type-value":   "TestRefusals",
	"payloads-propertyset-quality-value-type":    "no: the quality of a metric is not looked at",
	"payloads-propertyset-quality-value-value":   "no: the quality of a metric is not looked at",
	"payloads-dataset-column-size":               "TestRefusals",
	"payloads-dataset-column-num-headers":        "TestRefusals",
	"payloads-dataset-types-def":                 "TestEveryDatatype",
	"payloads-dataset-types-num":                 "TestRefusals",
	"payloads-dataset-types-type":                "TestEveryDatatype",
	"payloads-dataset-types-value":               "TestRefusals",
	"payloads-dataset-parameter-type-req":        "TestRefusals",
	"payloads-template-dataset-value":            "TestEveryDatatype",
	"payloads-template-instance-is-definition":   "TestEveryDatatype",
	"payloads-template-instance-ref":             "TestEveryDatatype",
	"payloads-template-instance-members-birth":   "TestBirthsAndData",
	"payloads-template-instance-members-data":    "TestBirthsAndData",
	"payloads-template-definition-is-definition": "no: a definition's values are not read, an instance's are",
	"payloads-template-parameter-value":          "no: parameters of templates are not read",
}

// Every number of the checklist leads to a test that is there, or says why not.
func TestSparkplugChecklist(t *testing.T) {
	there := map[string]bool{}
	for _, pattern := range []string{"*_test.go", "../ingest/sparkplug/*_test.go"} {
		files, err := filepath.Glob(pattern)
		if err != nil || len(files) == 0 {
			t.Fatalf("found no %s, %v", pattern, err)
		}
		for _, name := range files {
			b, err := os.ReadFile(name)
			if err != nil {
				t.Fatal(err)
			}
			for _, m := range regexp.MustCompile(`(?m)^func (Test\w+)\(`).FindAllSubmatch(b, -1) {
				there[string(m[1])] = true
			}
		}
	}
	tests, without := 0, 0
	for id, by := range sparkplugChecklist {
		switch {
		case !regexp.MustCompile(`^[a-z0-9]+(-[a-zA-Z0-9]+)+$`).MatchString(id):
			t.Errorf("%s is no number of a requirement", id)
		case strings.HasPrefix(by, "no: "):
			without++
		case !there[by]:
			t.Errorf("%s: there is no test %s", id, by)
		default:
			tests++
		}
	}
	t.Logf("of %d requirements %d have a test, %d do not", len(sparkplugChecklist), tests, without)
}
