// Each test file gets a database of its own, in memory.
import "fake-indexeddb/auto";
