"""Many photos of many jars: plan, read, store; on one machine or several."""
