package wire

import (
	"go/ast"
	"go/parser"
	"go/token"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// assertions says which test shows which assertion of Eclipse Sparkplug 3.0.0. Ids
// are the standard's without their prefix "tck-id-". Those of devices that a node
// publishes, of templates and data sets, of brokers and of MQTT 5 do not apply: our
// nodes have no devices. Of a host's STATE the payloads and their times are here;
// QoS, retain and the order of the first steps are the server's.
//
// Not followed, as the standard allows: reports by exception (principles-rbe-
// recommended, operational-behavior-data-publish-nbirth-change) are a SHOULD; each
// record of the spool carries all channels, so that it stands for itself.
var assertions = []struct {
	what  string
	ids   string
	tests []string // package.Test
}{
	{"topic form and id characters", `
		intro-group-id-string intro-group-id-chars intro-edge-node-id-string intro-edge-node-id-chars
		intro-device-id-string intro-device-id-chars intro-edge-node-id-uniqueness topic-structure
		topic-structure-namespace-a topic-structure-namespace-valid-group-id
		topic-structure-namespace-unique-edge-node-descriptor topic-structure-namespace-valid-edge-node-id
		topic-structure-namespace-valid-device-id topic-structure-namespace-unique-device-id
		topic-structure-namespace-duplicate-device-id-across-edge-node
		topic-structure-namespace-device-id-associated-message-types
		topic-structure-namespace-device-id-non-associated-message-types`,
		[]string{"wire.TestTopics"}},
	{"ids and names not equal but for case (SHOULD)", `
		case-sensitivity-sparkplug-ids case-sensitivity-metric-names`,
		[]string{"wire.TestNewEdgeRefuses"}},
	{"times in UTC", `
		payloads-timestamp-in-UTC payloads-metric-timestamp-in-UTC`,
		[]string{"wire.TestBirthDeclaresEverything", "wire.TestDataOfARecord"}},
	{"births first", `
		principles-birth-certificates-order`,
		[]string{"uplink.TestBirthThenDataThenDeath"}},
	{"session: clean, will before birth", `
		principles-persistence-clean-session-311 message-flow-edge-node-birth-publish-connect`,
		[]string{"uplink.TestConnectPacket"}},
	{"NCMD subscription at QoS 1, before the birth", `
		message-flow-edge-node-ncmd-subscribe`,
		[]string{"uplink.TestConnectPacket", "uplink.TestRefusedSubscription"}},
	{"will", `
		message-flow-edge-node-birth-publish-will-message message-flow-edge-node-birth-publish-will-message-topic
		message-flow-edge-node-birth-publish-will-message-payload
		message-flow-edge-node-birth-publish-will-message-payload-bdSeq
		message-flow-edge-node-birth-publish-will-message-qos
		message-flow-edge-node-birth-publish-will-message-will-retained payloads-ndeath-will-message
		payloads-ndeath-will-message-qos payloads-ndeath-will-message-retain payloads-ndeath-will-message-publisher
		payloads-ndeath-will-message-publisher-disconnect-mqtt311`,
		[]string{"uplink.TestConnectPacket", "wire.TestWillAndDeath", "uplink.TestWillWhenTheLinkIsCut"}},
	{"NDEATH content, and NDEATH when leaving", `
		topics-ndeath-topic topics-ndeath-payload topics-ndeath-seq
		operational-behavior-edge-node-intentional-disconnect-ndeath
		operational-behavior-edge-node-intentional-disconnect-packet payloads-ndeath-seq payloads-ndeath-bdseq`,
		[]string{"wire.TestWillAndDeath", "uplink.TestBirthThenDataThenDeath"}},
	{"primary host, if configured", `
		message-flow-edge-node-birth-publish-phid-wait message-flow-edge-node-birth-publish-phid-wait-id
		message-flow-edge-node-birth-publish-phid-wait-online message-flow-edge-node-birth-publish-phid-wait-timestamp
		message-flow-edge-node-birth-publish-phid-offline operational-behavior-edge-node-termination-host-offline
		operational-behavior-edge-node-termination-host-offline-reconnect
		operational-behavior-edge-node-termination-host-offline-timestamp
		operational-behavior-edge-node-birth-sequence-wait`,
		[]string{"wire.TestPrimaryHost", "uplink.TestPrimaryHost"}},
	{"NBIRTH", `
		topics-nbirth-topic topics-nbirth-mqtt topics-nbirth-seq-num topics-nbirth-timestamp topics-nbirth-metric-reqs
		topics-nbirth-metrics topics-nbirth-bdseq-included topics-nbirth-bdseq-matching topics-nbirth-bdseq-increment
		topics-nbirth-rebirth-metric message-flow-edge-node-birth-publish-nbirth-topic
		message-flow-edge-node-birth-publish-nbirth-payload message-flow-edge-node-birth-publish-nbirth-payload-bdSeq
		message-flow-edge-node-birth-publish-nbirth-qos message-flow-edge-node-birth-publish-nbirth-retained
		message-flow-edge-node-birth-publish-nbirth-payload-seq operational-behavior-data-publish-nbirth
		operational-behavior-data-publish-nbirth-values operational-behavior-data-publish-nbirth-order
		payloads-nbirth-timestamp payloads-nbirth-edge-node-descriptor payloads-nbirth-seq payloads-nbirth-bdseq
		payloads-nbirth-bdseq-repeat payloads-nbirth-rebirth-req payloads-nbirth-qos payloads-nbirth-retain`,
		[]string{"wire.TestBirthDeclaresEverything", "wire.TestSequenceNumbers", "uplink.TestBirthThenDataThenDeath", "uplink.TestBdSeqGoesOnOverRestarts"}},
	{"rebirth metric and what it triggers", `
		operational-behavior-data-commands-rebirth-name operational-behavior-data-commands-rebirth-name-aliases
		operational-behavior-data-commands-rebirth-datatype operational-behavior-data-commands-rebirth-value
		operational-behavior-data-commands-rebirth-action-1 operational-behavior-data-commands-rebirth-action-2
		operational-behavior-data-commands-rebirth-action-3`,
		[]string{"wire.TestCommands", "wire.TestRebirthsAreMerged", "uplink.TestRebirth"}},
	{"NDATA", `
		topics-ndata-topic topics-ndata-mqtt topics-ndata-seq-num topics-ndata-timestamp topics-ndata-payload
		payloads-ndata-timestamp payloads-ndata-seq payloads-ndata-seq-inc payloads-ndata-order payloads-ndata-qos
		payloads-ndata-retain`,
		[]string{"wire.TestDataOfARecord", "wire.TestSequenceNumbers", "uplink.TestBirthThenDataThenDeath"}},
	{"sequence numbers", `
		payloads-sequence-num-always-included payloads-sequence-num-req-nbirth payloads-sequence-num-incrementing`,
		[]string{"wire.TestSequenceNumbers"}},
	{"metric fields", `
		payloads-name-requirement payloads-name-birth-data-requirement payloads-metric-datatype-value-type
		payloads-metric-datatype-value payloads-metric-datatype-req payloads-metric-datatype-not-req`,
		[]string{"wire.TestGoldenBytes", "wire.TestBirthDeclaresEverything", "wire.TestDataOfARecord"}},
	{"aliases, if used", `
		payloads-alias-uniqueness payloads-alias-birth-requirement payloads-alias-data-cmd-requirement`,
		[]string{"wire.TestAliasesAndOmittedTypes"}},
	{"properties and Quality", `
		payloads-propertyset-keys-array-size payloads-propertyset-values-array-size
		payloads-metric-propertyvalue-type-type payloads-metric-propertyvalue-type-value
		payloads-metric-propertyvalue-type-req payloads-propertyset-quality-value-type
		payloads-propertyset-quality-value-value`,
		[]string{"wire.TestGoldenBytes", "wire.TestDataQuality", "wire.TestDecodeDropsUnequalPropertyArrays"}},
	{"STATE birth", `
		host-topic-phid-birth-message host-topic-phid-birth-qos host-topic-phid-birth-retain
		host-topic-phid-birth-topic host-topic-phid-birth-required host-topic-phid-birth-payload
		host-topic-phid-birth-payload-timestamp operational-behavior-host-application-connect-birth
		operational-behavior-host-application-connect-birth-topic
		operational-behavior-host-application-connect-birth-payload
		operational-behavior-host-application-connect-birth-qos
		operational-behavior-host-application-connect-birth-retained payloads-state-birth payloads-state-birth-payload`,
		[]string{"wire.TestHostState"}},
	{"STATE will and death", `
		host-topic-phid-death-qos host-topic-phid-death-retain host-topic-phid-death-topic
		host-topic-phid-death-required host-topic-phid-death-payload host-topic-phid-death-payload-timestamp-connect
		host-topic-phid-death-payload-timestamp-disconnect-clean
		host-topic-phid-death-payload-timestamp-disconnect-with-no-disconnect-packet
		operational-behavior-host-application-connect-will operational-behavior-host-application-connect-will-topic
		operational-behavior-host-application-connect-will-payload
		operational-behavior-host-application-connect-will-qos
		operational-behavior-host-application-connect-will-retained operational-behavior-host-application-termination
		operational-behavior-host-application-death-topic operational-behavior-host-application-death-payload
		operational-behavior-host-application-death-qos operational-behavior-host-application-death-retained
		operational-behavior-host-application-disconnect-intentional payloads-state-will-message
		payloads-state-will-message-qos payloads-state-will-message-retain payloads-state-will-message-payload`,
		[]string{"wire.TestHostState"}},
	{"own STATE seen offline: publish again", `
		message-flow-hid-sparkplug-state-message-delivered`,
		[]string{"wire.TestHostState"}},
	{"NDEATH, DDEATH: offline and stale", `
		operational-behavior-edge-node-termination-host-action-ndeath-node-offline
		operational-behavior-edge-node-termination-host-action-ndeath-node-tags-stale
		operational-behavior-edge-node-termination-host-action-ndeath-devices-offline
		operational-behavior-edge-node-termination-host-action-ndeath-devices-tags-stale
		operational-behavior-edge-node-termination-host-action-ddeath-devices-offline
		operational-behavior-edge-node-termination-host-action-ddeath-devices-tags-stale`,
		[]string{"wire.TestHostSession", "wire.TestHostStartsAndLosesTheBroker"}},
	{"reorder time-out and rebirth order", `
		operational-behavior-host-reordering-param operational-behavior-host-reordering-start
		operational-behavior-host-reordering-rebirth operational-behavior-host-reordering-success
		operational-behavior-data-commands-ncmd-rebirth-verb operational-behavior-data-commands-ncmd-rebirth-name
		operational-behavior-data-commands-ncmd-rebirth-value`,
		[]string{"wire.TestHostSession", "wire.TestHostOrderOfArrivalMeansNothing", "wire.TestConfirmationAndRebirthCommand"}},
	{"NCMD", `
		topics-ncmd-topic topics-ncmd-mqtt topics-ncmd-timestamp topics-ncmd-payload
		operational-behavior-data-commands-ncmd-verb operational-behavior-data-commands-ncmd-metric-name
		operational-behavior-data-commands-ncmd-metric-value payloads-name-cmd-requirement payloads-ncmd-timestamp
		payloads-ncmd-seq payloads-ncmd-qos payloads-ncmd-retain`,
		[]string{"wire.TestConfirmationAndRebirthCommand", "uplink.TestCommandsThatAreNotObeyed"}},
}

// TestAssertionsHaveTheirTests keeps the table honest: every test it names exists,
// and no assertion stands twice.
func TestAssertionsHaveTheirTests(t *testing.T) {
	there := map[string]bool{}
	for name, dir := range map[string]string{"wire": ".", "uplink": filepath.Join("..", "..", "edge", "uplink")} {
		entries, err := os.ReadDir(dir)
		require.NoError(t, err)
		for _, e := range entries {
			if !strings.HasSuffix(e.Name(), "_test.go") {
				continue
			}
			file, err := parser.ParseFile(token.NewFileSet(), filepath.Join(dir, e.Name()), nil, parser.SkipObjectResolution)
			require.NoError(t, err)
			for _, d := range file.Decls {
				if f, ok := d.(*ast.FuncDecl); ok && f.Recv == nil {
					there[name+"."+f.Name.Name] = true
				}
			}
		}
	}
	seen := map[string]bool{}
	for _, a := range assertions {
		require.NotEmpty(t, a.tests, a.what)
		for _, name := range a.tests {
			require.True(t, there[name], "%s: no test %s", a.what, name)
		}
		for _, id := range strings.Fields(a.ids) {
			require.False(t, seen[id], "%s stands twice", id)
			seen[id] = true
		}
	}
	require.Len(t, seen, 179)
}
