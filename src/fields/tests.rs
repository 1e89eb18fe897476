//! Fields painted by closed forms.
