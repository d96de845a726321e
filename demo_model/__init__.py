"""The demo models: a harbour tug on a tilted stand, a beacon, and a sea wall of any size."""
